use super::super::chance::Stream;
use super::*;

fn near(got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted} within {tolerance}");
}

#[test]
fn sens_own_example() {
    // P.K. Sen, JASA 63 (1968) 1379: slope 4, 93 % interval 26/7 to 35/8; the intercept is the joint one of the Python
    // package scipy's test of this example.
    let fit =
        theil_sen(&[1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0], &[9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0], 0.93).unwrap();
    assert_eq!(fit.slope, 4.0);
    near(fit.intercept, 6.0, 1e-12);
    near(fit.low, 26.0 / 7.0, 1e-12);
    near(fit.high, 35.0 / 8.0, 1e-12);
    let tied = theil_sen(&[0.0, 1.0, 2.0], &[0.0, 1.0, 1.0], 0.9).unwrap();
    assert_eq!((tied.slope, tied.intercept), (0.5, 0.0));
}

#[test]
fn a_third_of_wild_readings_does_not_move_the_slope() {
    let x: Vec<f64> = (0..30).map(f64::from).collect();
    let y: Vec<f64> = x.iter().map(|x| if *x as u32 % 4 == 1 { 400.0 - x } else { 10.0 - 0.25 * x }).collect();
    let fit = theil_sen(&x, &y, 0.9).unwrap();
    near(fit.slope, -0.25, 1e-9);
}

#[test]
fn many_points_are_gathered_and_give_the_same_slope() {
    let mut chance = Stream::new(3);
    let x: Vec<f64> = (0..9000).map(f64::from).collect();
    let y: Vec<f64> = x.iter().map(|x| 3.0 - 0.002 * x + chance.normal()).collect();
    let fit = theil_sen(&x, &y, 0.9).unwrap();
    near(fit.slope, -0.002, 3e-5);
    assert!(fit.low < fit.slope && fit.slope < fit.high);
}

#[test]
fn interval_of_the_slope_covers_nine_of_ten() {
    let mut chance = Stream::new(4);
    for n in [6, 9, 15, 40] {
        let trials = 1500;
        let covered = (0..trials)
            .filter(|_| {
                let x: Vec<f64> = (0..n).map(|i| f64::from(i) + 0.5 * chance.unit()).collect();
                let y: Vec<f64> = x.iter().map(|x| 0.3 * x + chance.normal()).collect();
                let fit = theil_sen(&x, &y, 0.9).unwrap();
                (fit.low..=fit.high).contains(&0.3)
            })
            .count() as f64
            / f64::from(trials);
        println!("slope of {n} readings: {covered:.3}");
        // Few readings have few pairs: the interval holds more than it must.
        assert!(covered > 0.9 - 0.025 && covered < if n < 10 { 0.97 } else { 0.93 }, "{n}: {covered}");
    }
}

#[test]
fn kendalls_score_has_the_probabilities_of_the_table() {
    // One-sided, by enumeration; the same as R.O. Gilbert's table A18 (1987; from memory).
    let table: [(usize, &[(i64, f64)]); 5] = [
        (4, &[(0, 0.625), (2, 0.375), (4, 0.167), (6, 0.042)]),
        (5, &[(0, 0.592), (2, 0.408), (4, 0.242), (6, 0.117), (8, 0.042), (10, 0.0083)]),
        (6, &[(1, 0.5), (3, 0.360), (5, 0.235), (7, 0.136), (9, 0.068), (11, 0.028), (13, 0.0083), (15, 0.0014)]),
        (8, &[(10, 0.138), (12, 0.089), (14, 0.054), (16, 0.031), (18, 0.016), (20, 0.0071)]),
        (10, &[(15, 0.108), (17, 0.078), (19, 0.054), (21, 0.036), (23, 0.023)]),
    ];
    for (n, row) in table {
        let counts = mann_kendall::exact_counts(n);
        let pairs = (n * (n - 1) / 2) as i64;
        for &(s, wanted) in row {
            let at_least: f64 =
                counts.iter().enumerate().filter(|(i, _)| pairs - 2 * *i as i64 >= s).map(|(_, count)| count).sum();
            let digits = if wanted < 0.01 { 5.1e-5 } else { 5.1e-4 };
            near(at_least / counts.iter().sum::<f64>(), wanted, digits);
        }
    }
}

#[test]
fn gilberts_four_readings() {
    // R.O. Gilbert 1987, chapter 16 (from memory); variance and z by the formula.
    let test = mann_kendall(&[10.0, 15.0, 14.0, 20.0]).unwrap();
    assert_eq!(test.s, 4);
    near(test.variance, 8.6667, 5e-5);
    near(test.z, 1.0190, 5e-5);
    near(test.p, 2.0 * 4.0 / 24.0, 1e-12);
    let slope = theil_sen(&[1.0, 2.0, 3.0, 4.0], &[10.0, 15.0, 14.0, 20.0], 0.9).unwrap();
    near(slope.slope, 2.916_667, 1e-6);
    let flat = mann_kendall(&[3.0; 12]).unwrap();
    assert_eq!((flat.s, flat.variance, flat.z, flat.p), (0, 0.0, 0.0, 1.0));
}

/// Powers of a link in dB over days: slow ageing, reading scatter, and a step after a reading.
fn link(chance: &mut Stream, readings: u32, fall: f64, step_after: u32, step: f64) -> (Vec<f64>, Vec<f64>) {
    let x: Vec<f64> = (0..readings).map(|i| f64::from(i) * 30.0 + 5.0 * chance.unit()).collect();
    let y = (0..readings)
        .map(|i| -9.2 - fall * x[i as usize] + 0.25 * chance.normal() + if i >= step_after { step } else { 0.0 })
        .collect();
    (x, y)
}

#[test]
fn a_disturbed_connector_is_told_from_ageing() {
    let mut chance = Stream::new(6);
    let (mut found, mut placed, mut covered) = (0, 0, 0);
    for _ in 0..100 {
        let (x, y) = link(&mut chance, 20, 0.004, 11, -2.0);
        let step = step(&x, &y).unwrap();
        found += usize::from(step.p < 0.01);
        placed += usize::from((x[10]..x[11]).contains(&step.at));
        covered += usize::from((step.size + 2.0).abs() < 2.5 * step.standard_error);
    }
    println!("{found} found, {placed} at their place, {covered} sizes covered");
    assert!(found >= 97 && placed >= 90 && covered >= 85, "{found} {placed} {covered}");
}

#[test]
fn ageing_alone_is_no_step() {
    let mut chance = Stream::new(7);
    for readings in [7, 12, 30] {
        let trials = 300;
        let false_alarms = (0..trials)
            .filter(|_| {
                let (x, y) = link(&mut chance, readings, 0.008, 0, 0.0);
                step(&x, &y).unwrap().p <= 0.05
            })
            .count() as f64
            / f64::from(trials);
        println!("{readings} readings: {false_alarms:.3} false alarms at 0.05");
        // 0.05 and three of its standard errors.
        assert!(false_alarms < 0.05 + 0.038, "{readings}: {false_alarms}");
    }
}

#[test]
fn one_wild_reading_is_no_step() {
    let mut chance = Stream::new(9);
    let (x, mut y) = link(&mut chance, 16, 0.004, 0, 0.0);
    y[6] -= 8.0;
    assert!(step(&x, &y).unwrap().p > 0.05);
}

#[test]
fn crossing_covers_the_true_date_nine_of_ten_times() {
    let mut chance = Stream::new(10);
    let mut all_covered = vec![];
    for (readings, wild) in [(6, 0.0), (10, 0.0), (25, 0.0), (25, 0.1)] {
        let (mut inside, mut all) = (0, 0);
        let trials = 1200;
        for _ in 0..trials {
            let x: Vec<f64> = (0..readings).map(|i| 90.0 * f64::from(i)).collect();
            // From −9.2 dBm down to −14, well after the last reading.
            let last = 90.0 * f64::from(readings);
            let truth = 1.6 * last;
            let y = x.iter().map(|x| {
                let noise = if chance.unit() < wild { 6.0 } else { 0.3 } * chance.normal();
                -9.2 - 4.8 * x / truth + noise
            });
            let y: Vec<f64> = y.collect();
            all += 1;
            if let Crossing::At { earliest, expected, latest } = crossing_from(&x, &y, -14.0, Good::Above, 0.9) {
                assert!(earliest <= expected && latest.is_none_or(|latest| expected <= latest));
                inside += usize::from(earliest <= truth && latest.is_none_or(|latest| truth <= latest));
            }
        }
        let covered = inside as f64 / f64::from(all);
        println!("crossing after {readings} readings, {wild} wild: {covered:.3}");
        all_covered.push((readings, wild, covered));
    }
    // 0.9 and three standard errors; wild readings make the interval wider than it must be.
    for (readings, wild, covered) in all_covered {
        assert!(covered > 0.874 && covered < if wild > 0.0 { 0.97 } else { 0.926 }, "{readings} {wild}: {covered}");
    }
}

#[test]
fn crossing_knows_when_it_is_over_never_or_unknown() {
    let x: Vec<f64> = (0..8).map(f64::from).collect();
    let falling: Vec<f64> =
        x.iter().map(|x| 120.0 - 10.0 * x + if (*x as u32).is_multiple_of(2) { 0.5 } else { -0.5 }).collect();
    let Crossing::At { earliest, expected, latest } = crossing(&x, &falling, 40.0, 0.9) else { panic!() };
    near(expected, 8.0, 0.1);
    assert!(earliest > 7.5 && earliest < expected && latest.unwrap() > expected && latest.unwrap() < 8.5);
    assert_eq!(crossing(&x, &falling, 60.0, 0.9), Crossing::Already);
    assert_eq!(crossing(&x, &falling, 130.0, 0.9), Crossing::Never);
    assert_eq!(crossing_from(&x, &falling, 130.0, Good::Above, 0.9), Crossing::Already);
    assert_eq!(crossing(&x[..3], &falling[..3], 40.0, 0.9), Crossing::Unknown);
    assert_eq!(crossing(&[1.0; 8], &falling, 40.0, 0.9), Crossing::Unknown);
    assert_eq!(crossing(&x, &falling, f64::NAN, 0.9), Crossing::Unknown);
    assert_eq!(crossing(&x, &[5.0; 8], 4.0, 0.9), Crossing::Never);
    // Exactly on a line there is no doubt.
    let line: Vec<f64> = x.iter().map(|x| 100.0 - 4.0 * x).collect();
    let Crossing::At { earliest, expected, latest } = crossing(&x, &line, 40.0, 0.9) else { panic!() };
    near(expected, 15.0, 1e-9);
    near(earliest, 15.0, 1e-6);
    near(latest.unwrap(), 15.0, 1e-6);
    // Hardly falling: it may never come.
    let noisy = [10.0, 12.0, 9.0, 11.5, 8.9, 12.0, 9.5, 9.9];
    let Crossing::At { latest: None, .. } = crossing(&x, &noisy, 0.0, 0.9) else {
        panic!("{:?}", crossing(&x, &noisy, 0.0, 0.9))
    };
}

proptest::proptest! {
    #[test]
    fn nothing_makes_it_panic_or_give_what_is_no_number(
        rows in proptest::collection::vec((-5..5i32, -1e9..1e9f64), 0..20), limit in -1e9..1e9f64, whole in proptest::bool::ANY,
    ) {
        let x: Vec<f64> = rows.iter().map(|row| f64::from(row.0)).collect();
        let y: Vec<f64> = rows.iter().map(|row| if whole { (row.1 / 1e9).round() } else { row.1 }).collect();
        if let Some(fit) = theil_sen(&x, &y, 0.9) {
            proptest::prop_assert!(fit.low <= fit.slope && fit.slope <= fit.high && fit.intercept.is_finite());
        }
        if let Some(test) = mann_kendall(&y) {
            proptest::prop_assert!((0.0..=1.0).contains(&test.p) && test.z.is_finite());
        }
        if let Some(step) = step(&x, &y) {
            proptest::prop_assert!(step.size.is_finite() && step.at.is_finite() && step.standard_error.is_finite());
        }
        if let Crossing::At { earliest, expected, latest } = crossing(&x, &y, limit, 0.9) {
            proptest::prop_assert!(earliest <= expected && latest.is_none_or(|latest| expected <= latest));
            proptest::prop_assert!(earliest.is_finite() && expected.is_finite());
        }
    }
}
