//! Which packs to replace in which year, so many a year.
//!
//! What each vehicle's pack costs in timeouts a year, and how packs age, in; a [`Plan`] out. Pure. Does not know the store.
//!
//! Greedy: each year those packs are replaced whose replacement then avoids most timeouts from that year to the plan's
//! end. A pack's timeouts in a year are its rate, times what the vehicle is to do off the wire, times how much packs grow
//! worse as they age. A vehicle gets a new pack once: a second within a few years would not be planned today.

use statrs::distribution::{ContinuousCDF, Gamma};

/// A vehicle's place for a pack, and the pack that is in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seat {
    /// Timeouts a unit of exposure, now.
    pub rate: f64,
    /// Standard deviation of `rate`.
    pub rate_sd: f64,
    /// Exposure in a year to come.
    pub exposure: f64,
    /// How much more its timeouts vary than Poisson counts do.
    pub clustering: f64,
}

/// How packs begin and how they age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ageing {
    /// Logarithm of what a pack's rate is multiplied by in a year; 0: packs do not age.
    pub growth: f64,
    /// Standard deviation of `growth`.
    pub growth_sd: f64,
    /// Timeouts a unit of exposure of a new pack.
    pub new_rate: f64,
    /// Standard deviation of `new_rate`.
    pub new_rate_sd: f64,
    /// How much more timeouts of a new pack vary than Poisson counts do.
    pub clustering: f64,
}

/// Who is replaced when, and what is left.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Plan {
    /// From the first year.
    pub years: Vec<Year>,
}

/// One year of a plan. Packs are replaced at its beginning.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Year {
    /// Whose packs are replaced, most worth it first.
    pub replaced: Vec<Replacement>,
    /// Timeouts expected in the year.
    pub left: f64,
    /// Lower end of how many there will be, 90 %.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// One new pack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Replacement {
    /// Number of the seat.
    pub seat: usize,
    /// Timeouts avoided in the year.
    pub avoided_first: f64,
    /// Timeouts avoided from then to the plan's end.
    pub avoided: f64,
}

impl Plan {
    /// Timeouts expected over all years.
    pub fn left(&self) -> f64 {
        self.years.iter().map(|year| year.left).sum()
    }

    /// Packs replaced over all years.
    pub fn packs(&self) -> usize {
        self.years.iter().map(|year| year.replaced.len()).sum()
    }
}

/// Plans `years` years at `packs` packs a year. A year has fewer where no further pack is worth it.
pub fn plan(seats: &[Seat], ageing: &Ageing, packs: usize, years: usize) -> Plan {
    // When each seat got its new pack.
    let mut renewed: Vec<Option<usize>> = vec![None; seats.len()];
    let mut plan = Plan::default();
    for year in 0..years {
        let mut worth: Vec<Replacement> = (0..seats.len())
            .filter(|&seat| renewed[seat].is_none())
            .map(|seat| {
                let avoided = |at: usize| {
                    timeouts(&seats[seat], ageing, None, at) - timeouts(&seats[seat], ageing, Some(year), at)
                };
                Replacement { seat, avoided_first: avoided(year), avoided: (year..years).map(avoided).sum() }
            })
            .filter(|replacement| replacement.avoided > 0.0)
            .collect();
        worth.sort_by(|a, b| b.avoided.total_cmp(&a.avoided).then(a.seat.cmp(&b.seat)));
        worth.truncate(packs);
        for replacement in &worth {
            renewed[replacement.seat] = Some(year);
        }
        let (left, low, high) = left(seats, ageing, &renewed, year);
        plan.years.push(Year { replaced: worth, left, low, high });
    }
    plan
}

/// How much worse a pack is in the middle of its `years`-th year from now, or from new.
fn worsening(ageing: &Ageing, years: usize) -> (f64, f64) {
    let time = years as f64 + 0.5;
    (libm::exp((ageing.growth * time).min(20.0)), time)
}

/// Timeouts of a seat in a year.
fn timeouts(seat: &Seat, ageing: &Ageing, renewed: Option<usize>, year: usize) -> f64 {
    let (rate, age) = match renewed {
        Some(at) => (ageing.new_rate, year - at),
        None => (seat.rate, year),
    };
    seat.exposure * rate * worsening(ageing, age).0
}

/// Timeouts in a year, with the interval in which their number will be: what is not known of the rates, of new packs and
/// of ageing, and chance. A gamma distribution of the same mean and variance.
fn left(seats: &[Seat], ageing: &Ageing, renewed: &[Option<usize>], year: usize) -> (f64, f64, f64) {
    let (mut mean, mut variance, mut new, mut growth) = (0.0, 0.0, 0.0, 0.0);
    for (seat, renewed) in seats.iter().zip(renewed) {
        let own = timeouts(seat, ageing, *renewed, year);
        let (times, age) = worsening(ageing, renewed.map_or(year, |at| year - at));
        mean += own;
        growth += own * age;
        match renewed {
            Some(_) => {
                new += seat.exposure * times;
                variance += own * ageing.clustering;
            }
            None => variance += own * seat.clustering + (seat.exposure * times * seat.rate_sd).powi(2),
        }
    }
    variance += (new * ageing.new_rate_sd).powi(2) + (growth * ageing.growth_sd).powi(2);
    let interval = Gamma::new(mean * mean / variance, mean / variance)
        .map(|gamma| (gamma.inverse_cdf(0.05), gamma.inverse_cdf(0.95)))
        .unwrap_or((mean, mean));
    (mean, interval.0, interval.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEADY: Ageing = Ageing { growth: 0.0, growth_sd: 0.0, new_rate: 0.01, new_rate_sd: 0.0, clustering: 1.0 };

    fn seat(rate: f64, exposure: f64) -> Seat {
        Seat { rate, rate_sd: 0.0, exposure, clustering: 1.0 }
    }

    #[test]
    fn the_packs_that_cost_most_come_first_and_not_those_of_the_highest_rate() {
        // 0.2 × 100 = 20 a year; 0.05 × 1000 = 50 a year.
        let plan = plan(&[seat(0.2, 100.0), seat(0.05, 1_000.0), seat(0.02, 500.0)], &STEADY, 1, 3);
        let seats: Vec<_> = plan.years.iter().map(|year| year.replaced[0].seat).collect();
        assert_eq!(seats, [1, 0, 2]);
        // By hand: 20 + 10 + 10, then 1 + 10 + 10, then 1 + 10 + 5.
        let left: Vec<_> = plan.years.iter().map(|year| year.left).collect();
        for (left, expected) in left.iter().zip([40.0, 21.0, 16.0]) {
            assert!((left - expected).abs() < 1e-9, "{left}");
        }
        assert!((plan.years[0].replaced[0].avoided - 120.0).abs() < 1e-9);
    }

    #[test]
    fn a_pack_better_than_a_new_one_stays() {
        let plan = plan(&[seat(0.005, 100.0)], &STEADY, 3, 2);
        assert_eq!(plan.packs(), 0);
        assert!((plan.left() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn more_packs_never_leave_more_timeouts() {
        let seats: Vec<_> = (0..40).map(|n| seat(0.01 + 0.003 * f64::from(n % 7), 50.0 + f64::from(n))).collect();
        let ageing = Ageing { growth: 0.2, ..STEADY };
        let left: Vec<_> = (0..8).map(|packs| plan(&seats, &ageing, packs, 4).left()).collect();
        assert!(left.windows(2).all(|pair| pair[1] <= pair[0]), "{left:?}");
    }

    #[test]
    fn greedy_does_as_well_as_any_order() {
        // All ways to give three years' single packs to five seats.
        let seats = [seat(0.30, 20.0), seat(0.05, 90.0), seat(0.12, 60.0), seat(0.02, 200.0), seat(0.08, 40.0)];
        let ageing = Ageing { growth: 0.15, ..STEADY };
        let total = |order: [usize; 3]| -> f64 {
            let renewed = |seat: usize, year: usize| order.iter().position(|&own| own == seat).filter(|&at| at <= year);
            let of = |year: usize| -> f64 {
                seats.iter().enumerate().map(|(n, seat)| timeouts(seat, &ageing, renewed(n, year), year)).sum()
            };
            (0..3).map(of).sum()
        };
        let mut best = f64::INFINITY;
        for a in 0..5 {
            for b in 0..5 {
                for c in 0..5 {
                    if a != b && b != c && a != c {
                        best = best.min(total([a, b, c]));
                    }
                }
            }
        }
        assert!((plan(&seats, &ageing, 1, 3).left() - best).abs() < 1e-9);
    }

    #[test]
    fn the_interval_is_poissons_where_all_else_is_known() {
        // One hundred expected: the exact limits of a Poisson count are 84 and 117 (5 % and 95 %, from memory).
        let year = &plan(&[seat(1.0, 100.0)], &STEADY, 0, 1).years[0];
        assert!((year.low - 84.0).abs() < 1.0 && (year.high - 117.0).abs() < 1.0, "{year:?}");
        let nothing = &plan(&[], &STEADY, 1, 1).years[0];
        assert_eq!((nothing.left, nothing.low, nothing.high), (0.0, 0.0, 0.0));
    }
}
