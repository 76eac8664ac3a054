use super::super::chance::Stream;
use super::*;

/// Failures and thousands of hours of ten pumps: Gaver and O'Muircheartaigh 1987, as given with BUGS' example "Pumps".
const PUMPS: ([u64; 10], [f64; 10]) =
    ([5, 1, 5, 14, 3, 19, 1, 1, 4, 22], [94.3, 15.7, 62.9, 126.0, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]);

fn near(got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted} within {tolerance}");
}

#[test]
fn pumps_likeliest_prior_is_the_published_one() {
    let fit = fit(&PUMPS.0, &PUMPS.1).unwrap();
    // George, Makov and Smith, Scand. J. Statist. 20 (1993) 147–156: 0.82 and 1.26; more digits from two computations.
    near(fit.shape, 0.822_965_079_2, 2e-7);
    near(fit.rate, 1.261_653_321_5, 5e-7);
    near(fit.log_likelihood, -32.257_836_3, 1e-7);
}

#[test]
fn pumps_rates_with_the_likeliest_prior_are_those_of_the_formula() {
    let fit = fit(&PUMPS.0, &PUMPS.1).unwrap();
    let only = Prior::mixture(&[(fit.shape.ln(), (fit.shape / fit.rate).ln(), 0.0)]).unwrap();
    // Means, standard deviations and limits by (shape + count) / (rate + exposure).
    let wanted = [
        (0.060934, 0.025252, 0.021942, 0.119489),
        (0.107476, 0.079601, 0.011177, 0.310179),
        (0.090755, 0.037609, 0.032679, 0.177966),
        (0.116476, 0.030253, 0.064933, 0.182831),
        (0.587999, 0.300730, 0.153997, 1.307354),
        (0.606919, 0.136316, 0.369807, 0.901814),
        (0.788598, 0.584072, 0.082014, 2.275927),
        (0.788598, 0.584072, 0.082014, 2.275927),
        (1.434700, 0.653287, 0.453755, 2.970113),
        (1.940456, 0.406179, 1.227663, 2.813790),
    ];
    for (pump, (mean, sd, low, high)) in wanted.into_iter().enumerate() {
        let posterior = Posterior::new(Arc::clone(&only), PUMPS.0[pump] as f64, PUMPS.1[pump]);
        near(posterior.mean(), mean, 1e-6);
        near(posterior.sd(), sd, 1e-6);
        near(posterior.quantile(0.025), low, 1e-6);
        near(posterior.quantile(0.975), high, 1e-6);
    }
}

#[test]
fn pumps_rates_with_the_prior_of_bugs_are_the_published_ones() {
    // shape ~ Exp(1), rate ~ Gamma(0.1, 1), as densities over log shape and log mean.
    let bugs = |log_shape: f64, log_mean: f64, _: f64| {
        let log_rate = log_shape - log_mean;
        log_shape - log_shape.exp() + 0.1 * log_rate - log_rate.exp()
    };
    let fit = fit_with(&PUMPS.0, &PUMPS.1, bugs).unwrap();
    // Means and standard deviations by two-dimensional quadrature; they agree with the table in BUGS' manual (from memory).
    let wanted = [
        (0.05982, 0.0252),
        (0.10183, 0.0794),
        (0.08924, 0.0376),
        (0.11579, 0.0303),
        (0.60134, 0.3160),
        (0.60939, 0.1375),
        (0.89254, 0.7244),
        (0.89254, 0.7244),
        (1.58631, 0.7695),
        (1.98983, 0.4250),
    ];
    for (pump, (mean, sd)) in wanted.into_iter().enumerate() {
        let posterior = fit.posterior(PUMPS.0[pump], PUMPS.1[pump]);
        near(posterior.mean(), mean, 2e-5 + 2e-5 * mean);
        near(posterior.sd(), sd, 1.1e-4);
    }
}

#[test]
fn a_few_failures_in_little_time_do_not_outrank_many() {
    let fit = fit(&PUMPS.0, &PUMPS.1).unwrap();
    let posteriors: Vec<Posterior> = (0..10).map(|pump| fit.posterior(PUMPS.0[pump], PUMPS.1[pump])).collect();
    // Pump 7 (1 in 1.05) has the higher rate, pump 6 (19 in 31.4) the higher lower limit.
    assert!(posteriors[6].mean() > posteriors[5].mean());
    assert!(posteriors[6].quantile(0.05) < posteriors[5].quantile(0.05));
    let worst = worst(&posteriors, 2, 4000, 1);
    near(worst.iter().sum(), 2.0, 1e-9);
    assert!(worst[9] > 0.85 && worst[8] > 0.5 && worst[3] < 0.01, "{worst:?}");
}

#[test]
fn the_same_seed_gives_the_same_probabilities() {
    let fit = fit(&PUMPS.0, &PUMPS.1).unwrap();
    let posteriors: Vec<Posterior> = (0..10).map(|pump| fit.posterior(PUMPS.0[pump], PUMPS.1[pump])).collect();
    assert_eq!(worst(&posteriors, 3, 500, 9), worst(&posteriors, 3, 500, 9));
    assert_ne!(worst(&posteriors, 3, 500, 9), worst(&posteriors, 3, 500, 10));
    assert_eq!(worst(&posteriors, 0, 500, 9), vec![0.0; 10]);
    assert_eq!(worst(&posteriors, 99, 500, 9), vec![1.0; 10]);
    assert!(worst(&[], 3, 500, 9).is_empty());
}

#[test]
fn the_worst_of_two_gammas_is_as_the_beta_distribution_says() {
    // P(Gamma(5) > Gamma(3)) at one rate is P(Beta(3, 5) < 1/2) = 99/128: W. Feller, from memory, and by its sum.
    let one = Prior::mixture(&[(0.0, 0.0, 0.0)]).unwrap();
    let pair = [Posterior::new(Arc::clone(&one), 4.0, 0.0), Posterior::new(one, 2.0, 0.0)];
    let draws = 40_000;
    near(worst(&pair, 1, draws, 3)[0], 99.0 / 128.0, 4.0 * 0.5 / f64::from(draws).sqrt());
}

#[test]
fn what_has_nothing_to_tell_gives_none() {
    assert!(fit(&[], &[]).is_none());
    assert!(fit(&[3], &[10.0]).is_none());
    assert!(fit(&[3, 1], &[10.0, 0.0]).is_none());
    assert!(fit(&[3, 1], &[10.0]).is_none());
    assert!(fit(&[0, 0, 0], &[10.0, 20.0, 5.0]).is_none());
    assert!(fit(&[1, 2], &[f64::NAN, f64::INFINITY]).is_none());
}

#[test]
fn all_alike_gives_one_rate_for_all() {
    let fit = fit(&[20; 40], &[10.0; 40]).unwrap();
    assert!(fit.shape > 9e5, "{}", fit.shape);
    near(fit.shape / fit.rate, 2.0, 1e-6);
    let posterior = fit.posterior(20, 10.0);
    near(posterior.mean(), 2.0, 0.01);
    assert!(posterior.sd() < 0.2);
    // One with twice the count is hardly believed.
    assert!(fit.posterior(40, 10.0).mean() < 2.4);
}

#[test]
fn a_new_one_is_as_the_others_are() {
    let fit = fit(&PUMPS.0, &PUMPS.1).unwrap();
    let new = fit.posterior(0, 0.0);
    assert!(new.quantile(0.05) < 0.05 && new.quantile(0.95) > 1.5 && new.mean().is_finite());
    assert_eq!(new.quantile(0.0), 0.0);
    assert!(new.quantile(1.0).is_finite() && new.quantile(f64::NAN) == 0.0);
}

/// Part of the true rates which lie inside their 90 % intervals, over fleets, and its standard error. `prior` gives a
/// fleet's shape and mean.
fn covered(fleets: usize, vehicles: usize, seed: u64, prior: impl Fn(&mut Stream, usize) -> (f64, f64)) -> (f64, f64) {
    let mut chance = Stream::new(seed);
    let mut parts = vec![];
    for fleet in 0..fleets {
        let (shape, mean) = prior(&mut chance, fleet);
        let rates: Vec<f64> = (0..vehicles).map(|_| mean * chance.gamma(shape) / shape).collect();
        let exposures: Vec<f64> = (0..vehicles).map(|_| 2.0 + 18.0 * chance.unit()).collect();
        let counts: Vec<u64> = rates.iter().zip(&exposures).map(|(rate, t)| chance.poisson(rate * t)).collect();
        let Some(fit) = fit(&counts, &exposures) else { continue };
        let inside = |v: &usize| (0.05..=0.95).contains(&fit.posterior(counts[*v], exposures[*v]).below(rates[*v]));
        parts.push((0..vehicles).filter(inside).count() as f64 / vehicles as f64);
    }
    // Vehicles of a fleet share what is not known of the prior: the error is that between fleets.
    let n = parts.len() as f64;
    let mean = parts.iter().sum::<f64>() / n;
    let error = (parts.iter().map(|part| (part - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
    println!("{fleets} fleets of {vehicles}: {mean:.4}, standard error {error:.4}");
    (mean, error)
}

/// Spreads that are as they are believed to be before.
fn believed(chance: &mut Stream, _: usize) -> (f64, f64) {
    let spread = chance.normal() / (chance.gamma(2.0) / 2.0).sqrt();
    // Where rates lie a factor of millions apart nobody counts them.
    ((1.0 / (spread * spread)).clamp(0.05, 1e6), 1.0)
}

#[test]
fn intervals_cover_nine_of_ten_where_the_spread_is_as_believed() {
    for (fleets, vehicles) in [(600, 5), (200, 60), (60, 250)] {
        let (mean, error) = covered(fleets, vehicles, 100 + vehicles as u64, believed);
        near(mean, 0.9, 3.0 * error);
    }
}

#[test]
fn intervals_cover_nine_of_ten_whatever_the_spread() {
    for (index, prior) in [(0.8, 0.5), (3.0, 0.3), (20.0, 1.0)].into_iter().enumerate() {
        for (fleets, vehicles) in [(400, 5), (100, 60), (30, 250)] {
            let (mean, error) = covered(fleets, vehicles, (10 * index + vehicles) as u64, |_, _| prior);
            near(mean, 0.9, 0.015 + 3.0 * error);
        }
    }
}

proptest::proptest! {
    #[test]
    fn nothing_makes_it_panic_or_give_what_is_no_number(
        rows in proptest::collection::vec((0u64..2_000_000, -1.0..1e9f64), 0..12), p in -1.0..2.0f64,
    ) {
        let (counts, exposures): (Vec<u64>, Vec<f64>) = rows.into_iter().unzip();
        if let Some(fit) = fit(&counts, &exposures) {
            for (count, exposure) in counts.iter().zip(&exposures) {
                let posterior = fit.posterior(*count, *exposure);
                proptest::prop_assert!(posterior.mean().is_finite() && posterior.sd().is_finite());
                proptest::prop_assert!(posterior.quantile(p).is_finite());
            }
        }
    }
}
