//! The ranking and its companions, against published numbers and planted fleets.

use super::ageing::{self, Member, Verdict};
use super::rank::{Cell, Ranking, Trend, false_shares, rank};
use crate::fleet::stats::chance::Stream;

/// A count about `mean`, by the times between occurrences.
fn poisson(chance: &mut Stream, mean: f64) -> u64 {
    let mut count = 0;
    let mut passed = -chance.unit().ln();
    while passed < mean {
        count += 1;
        passed -= chance.unit().ln();
    }
    count
}

/// Cells of a fleet: `rate(pack, month)` timeouts for each of `exposure` changes a month.
fn fleet(
    seed: u64,
    packs: usize,
    months: usize,
    exposure: f64,
    mut rate: impl FnMut(usize, usize) -> f64,
) -> Vec<Cell> {
    let mut chance = Stream::new(seed);
    let mut cells = Vec::new();
    for pack in 0..packs {
        for month in 0..months {
            let timeouts = poisson(&mut chance, exposure * rate(pack, month));
            cells.push(Cell { pack, month, timeouts, exposure });
        }
    }
    cells
}

fn ranked(cells: &[Cell], packs: usize, worst: usize) -> Ranking {
    rank(cells, &vec![true; packs], worst, 0)
}

#[test]
fn false_shares_are_those_of_benjamini_and_hochberg() {
    // Their example, J. R. Statist. Soc. B 57 (1995), section 3.2: fifteen probabilities, of which four are found at 5 %
    // (from memory).
    let p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590,
        1.0,
    ];
    let shares = false_shares(&p);
    assert_eq!(shares.iter().filter(|share| **share <= 0.05).count(), 4);
    // By hand: 0.0095 · 15 / 4, and the greatest stays itself.
    assert!((shares[3] - 0.035_625).abs() < 1e-12 && (shares[14] - 1.0).abs() < 1e-12);
    let mut turned = p;
    turned.reverse();
    let mut again = false_shares(&turned);
    again.reverse();
    assert_eq!(again, shares);
    assert!(false_shares(&[]).is_empty());
}

#[test]
fn weak_packs_come_first_and_the_rest_are_not_accused() {
    let weak = [7, 23, 41];
    let cells = fleet(1, 60, 12, 40.0, |pack, _| if weak.contains(&pack) { 0.06 } else { 0.008 });
    let ranking = ranked(&cells, 60, 3);
    for (pack, own) in ranking.packs.iter().enumerate() {
        assert_eq!(own.among_worst > 0.5, weak.contains(&pack), "{pack}: {own:?}");
        assert!(own.low <= own.rate && own.rate <= own.high);
    }
}

#[test]
fn where_all_packs_are_alike_none_is_sure_to_be_among_the_worst() {
    let mut accused = 0;
    for seed in 0..8 {
        let ranking = ranked(&fleet(seed, 60, 12, 40.0, |_, _| 0.01), 60, 3);
        accused += ranking.packs.iter().filter(|own| own.among_worst > 0.9 && own.low > ranking.fleet_rate).count();
    }
    assert_eq!(accused, 0);
}

#[test]
fn a_pack_fitted_in_spring_is_not_the_better_for_having_seen_no_winter() {
    // Winters are three times as hard; half the packs have seen none.
    let cells = fleet(3, 60, 12, 100.0, |_, month| if month < 6 { 0.03 } else { 0.01 });
    let cells: Vec<Cell> = cells.into_iter().filter(|cell| cell.pack % 2 == 0 || cell.month >= 6).collect();
    let ranking = ranked(&cells, 60, 3);
    let ratio = ranking.month_weights[0] / ranking.month_weights[11];
    assert!((2.4..3.6).contains(&ratio), "{ratio}");
    let mean = |first: usize| ranking.packs.iter().skip(first).step_by(2).map(|own| own.rate).sum::<f64>() / 30.0;
    let (both, summer) = (mean(0), mean(1));
    assert!((summer / both - 1.0).abs() < 0.2, "{summer} against {both}");
}

#[test]
fn a_pack_that_gets_worse_rises_and_one_that_is_merely_bad_does_not() {
    let cells = fleet(4, 60, 18, 400.0, |pack, month| match pack {
        5 => 0.002 * 1.25_f64.powi(month as i32),
        9 => 0.05,
        _ => 0.01,
    });
    let ranking = ranked(&cells, 60, 5);
    assert!(ranking.packs[5].trend.rises(), "{:?}", ranking.packs[5].trend);
    assert!(!ranking.packs[9].trend.rises() && !ranking.packs[9].trend.falls(), "{:?}", ranking.packs[9].trend);
    // Planted: 1.25 a month.
    let Trend::Slope { low, high, .. } = ranking.packs[5].trend else { panic!("no slope") };
    assert!((low..high).contains(&1.25_f64.powi(12)), "{low} to {high}");
    assert!(ranking.packs[5].now > ranking.packs[5].rate);
    let risen = ranking.packs.iter().filter(|own| own.trend.rises()).count();
    assert!(risen <= 2, "{risen}");
}

#[test]
fn timeouts_that_come_in_pairs_count_for_half() {
    let mut cells = fleet(6, 60, 12, 40.0, |_, _| 0.03);
    for cell in &mut cells {
        cell.timeouts *= 2;
    }
    let clustering = ranked(&cells, 60, 3).clustering;
    assert!((1.6..2.4).contains(&clustering), "{clustering}");
    let clustering = ranked(&fleet(7, 60, 12, 40.0, |_, _| 0.03), 60, 3).clustering;
    assert!((1.0..1.3).contains(&clustering), "{clustering}");
}

#[test]
fn months_that_differ_from_pack_to_pack_are_uneven_and_not_proof() {
    // A pack's months are gamma about its rate, variance 0.25 of the mean's square; about 80 timeouts in each.
    let mut chance = Stream::new(13);
    let cells = fleet(14, 60, 12, 400.0, |_, _| 0.2 * chance.gamma(4.0) / 4.0);
    let ranking = ranked(&cells, 60, 3);
    // A variance of 80 + 0.25 · 80² is 21 times the mean.
    assert!((14.0..30.0).contains(&ranking.clustering), "{}", ranking.clustering);
    assert!(ranking.packs.iter().filter(|own| own.among_worst > 0.9).count() <= 1);
    let risen = ranking.packs.iter().filter(|own| own.trend.rises() || own.trend.falls()).count();
    assert!(risen <= 2, "{risen}");
}

#[test]
fn nothing_at_all_gives_nothing_and_no_panic() {
    let none = rank(&[], &[], 5, 0);
    assert!(none.packs.is_empty() && !none.compared);
    let quiet = ranked(&fleet(8, 10, 6, 40.0, |_, _| 0.0), 10, 3);
    assert!(!quiet.compared && quiet.packs.iter().all(|own| own.rate == 0.0 && own.timeouts == 0));
    let alone = ranked(&fleet(9, 1, 6, 40.0, |_, _| 0.1), 1, 3);
    assert!(!alone.compared && alone.packs[0].rate > 0.0);
    let no_exposure = [Cell { pack: 0, month: 0, timeouts: 3, exposure: 0.0 }];
    assert!(ranked(&no_exposure, 1, 3).packs[0].rate.is_finite());
}

#[test]
fn every_pack_is_among_the_worst_where_the_worst_are_all() {
    let ranking = ranked(&fleet(10, 4, 12, 40.0, |_, _| 0.02), 4, 4);
    assert!(ranking.packs.iter().all(|own| own.among_worst == 0.0), "said of none, for it says nothing");
}

// ---- ageing and heat ---------------------------------------------------------------------------------------------------

fn members(seed: u64, packs: usize, growth: f64, spread: f64, a_kelvin: f64) -> Vec<Member> {
    members_expecting(4.0, seed, packs, growth, spread, a_kelvin)
}

fn members_expecting(expected: f64, seed: u64, packs: usize, growth: f64, spread: f64, a_kelvin: f64) -> Vec<Member> {
    let mut chance = Stream::new(seed);
    (0..packs)
        .map(|_| {
            let years = 10.0 * chance.unit();
            let heat = 1.5 * chance.normal();
            let own = (spread * chance.normal()).exp();
            let mean = expected * own * (growth * (years - 5.0) + a_kelvin * heat).exp();
            let timeouts = poisson(&mut chance, mean);
            Member { timeouts, expected, rate: timeouts as f64 / expected, years: Some(years), heat: Some(heat) }
        })
        .collect()
}

#[test]
fn ninety_per_cent_intervals_of_ageing_hold_the_planted_ageing() {
    let fleets = 300;
    let held = (0..fleets)
        .filter(|seed| {
            let found = ageing::ageing(&members(*seed, 80, 0.15, 0.3, 0.0), 1.0);
            let each = found.a_year.expect("ages are known");
            (each.low..each.high).contains(&0.15_f64.exp())
        })
        .count();
    // 270 expected, ± 5.2; three of these.
    assert!((254..=286).contains(&held), "{held} of {fleets}");
}

#[test]
fn a_new_pack_is_as_good_as_the_youngest_were_when_new() {
    // Many timeouts each: the middle one of rates is not that of a few whole numbers.
    let found = ageing::ageing(&members_expecting(200.0, 11, 400, 0.2, 0.0, 0.0), 1.0);
    assert!(found.by_age && found.young > 40);
    // Planted: exp(−1) of the fleet's at age 0, which is 1 a unit of exposure here.
    let planted = (-1.0_f64).exp();
    assert!((found.ageing.new_rate / planted - 1.0).abs() < 0.25, "{} against {planted}", found.ageing.new_rate);
    let mut unknown = members(12, 40, 0.0, 0.5, 0.0);
    for member in &mut unknown {
        member.years = None;
    }
    let found = ageing::ageing(&unknown, 1.0);
    assert!(!found.by_age && found.a_year.is_none() && found.ageing.growth == 0.0 && found.young == 20);
}

#[test]
fn heat_is_connected_with_timeouts_only_where_it_is_planted() {
    let verdict = |seed: u64, a_kelvin: f64| ageing::with_heat(&members(seed, 60, 0.1, 0.5, a_kelvin)).unwrap().verdict;
    let fleets = 300;
    let called = (0..fleets).filter(|seed| matches!(verdict(*seed, 0.0), Verdict::Goes | Verdict::Against)).count();
    // 30 expected by chance, ± 5.2; three of these.
    assert!((15..=45).contains(&called), "{called} of {fleets}");
    assert!((0..20).all(|seed| verdict(seed, 0.5) == Verdict::Goes));
    assert!(ageing::with_heat(&members(1, 5, 0.1, 0.5, 0.0)).is_none());
}
