use super::super::chance::Stream;
use super::*;

fn near(got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted} within {tolerance}");
}

/// Correct significant digits, as NIST counts them: −log₁₀ of the relative error.
fn digits(got: f64, certified: f64) -> f64 {
    if got == certified { 15.0 } else { -((got - certified).abs() / certified.abs()).log10() }
}

/// NIST StRD "Norris" (public domain): x, y.
const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
];

/// NIST StRD "Longley" (public domain): y, then six columns.
const LONGLEY: [[f64; 7]; 16] = [
    [60323.0, 83.0, 234289.0, 2356.0, 1590.0, 107608.0, 1947.0],
    [61122.0, 88.5, 259426.0, 2325.0, 1456.0, 108632.0, 1948.0],
    [60171.0, 88.2, 258054.0, 3682.0, 1616.0, 109773.0, 1949.0],
    [61187.0, 89.5, 284599.0, 3351.0, 1650.0, 110929.0, 1950.0],
    [63221.0, 96.2, 328975.0, 2099.0, 3099.0, 112075.0, 1951.0],
    [63639.0, 98.1, 346999.0, 1932.0, 3594.0, 113270.0, 1952.0],
    [64989.0, 99.0, 365385.0, 1870.0, 3547.0, 115094.0, 1953.0],
    [63761.0, 100.0, 363112.0, 3578.0, 3350.0, 116219.0, 1954.0],
    [66019.0, 101.2, 397469.0, 2904.0, 3048.0, 117388.0, 1955.0],
    [67857.0, 104.6, 419180.0, 2822.0, 2857.0, 118734.0, 1956.0],
    [68169.0, 108.4, 442769.0, 2936.0, 2798.0, 120445.0, 1957.0],
    [66513.0, 110.8, 444546.0, 4681.0, 2637.0, 121950.0, 1958.0],
    [68655.0, 112.6, 482704.0, 3813.0, 2552.0, 123366.0, 1959.0],
    [69564.0, 114.2, 502601.0, 3931.0, 2514.0, 125368.0, 1960.0],
    [69331.0, 115.7, 518173.0, 4806.0, 2572.0, 127852.0, 1961.0],
    [70551.0, 116.9, 554894.0, 4007.0, 2827.0, 130081.0, 1962.0],
];

/// Stack loss of an ammonia plant: K.A. Brownlee, Statistical Theory and Methodology, 1965, p. 454: y, then three columns.
const STACKLOSS: [[f64; 4]; 21] = [
    [42.0, 80.0, 27.0, 89.0],
    [37.0, 80.0, 27.0, 88.0],
    [37.0, 75.0, 25.0, 90.0],
    [28.0, 62.0, 24.0, 87.0],
    [18.0, 62.0, 22.0, 87.0],
    [18.0, 62.0, 23.0, 87.0],
    [19.0, 62.0, 24.0, 93.0],
    [20.0, 62.0, 24.0, 93.0],
    [15.0, 58.0, 23.0, 87.0],
    [14.0, 58.0, 18.0, 80.0],
    [14.0, 58.0, 18.0, 89.0],
    [13.0, 58.0, 17.0, 88.0],
    [11.0, 58.0, 18.0, 82.0],
    [12.0, 58.0, 19.0, 93.0],
    [8.0, 50.0, 18.0, 89.0],
    [7.0, 50.0, 18.0, 86.0],
    [8.0, 50.0, 19.0, 72.0],
    [8.0, 50.0, 19.0, 79.0],
    [9.0, 50.0, 20.0, 80.0],
    [15.0, 56.0, 20.0, 82.0],
    [15.0, 70.0, 20.0, 91.0],
];

#[test]
fn norris_to_eleven_digits_of_the_certified() {
    let x: Vec<f64> = NORRIS.iter().map(|(x, _)| *x).collect();
    let y: Vec<f64> = NORRIS.iter().map(|(_, y)| *y).collect();
    let fit = ordinary(&[vec![1.0; 36], x], &y).unwrap();
    let pairs = [
        (fit.coefficients[0], -0.262323073774029),
        (fit.coefficients[1], 1.00211681802045),
        (fit.standard_errors[0], 0.232818234301152),
        (fit.standard_errors[1], 0.429796848199937E-03),
        (fit.residual_sd, 0.884796396144373),
        (fit.r_squared, 0.999993745883712),
    ];
    for (got, certified) in pairs {
        println!("{:.1} digits of {certified}", digits(got, certified));
        assert!(digits(got, certified) >= 11.0, "{got} {certified}");
    }
}

#[test]
fn longley_to_ten_digits_of_the_certified() {
    let mut x = vec![vec![1.0; 16]];
    x.extend((1..7).map(|j| LONGLEY.iter().map(|row| row[j]).collect::<Vec<f64>>()));
    let y: Vec<f64> = LONGLEY.iter().map(|row| row[0]).collect();
    let fit = ordinary(&x, &y).unwrap();
    let certified = [
        (-3482258.63459582, 890420.383607373),
        (15.0618722713733, 84.9149257747669),
        (-0.358191792925910E-01, 0.334910077722432E-01),
        (-2.02022980381683, 0.488399681651699),
        (-1.03322686717359, 0.214274163161675),
        (-0.511041056535807E-01, 0.226073200069370),
        (1829.15146461355, 455.478499142212),
    ];
    let mut pairs = vec![(fit.residual_sd.powi(2), 92936.0061673238), (fit.r_squared, 0.995479004577296)];
    for (j, (coefficient, error)) in certified.into_iter().enumerate() {
        pairs.extend([(fit.coefficients[j], coefficient), (fit.standard_errors[j], error)]);
    }
    for (got, certified) in pairs {
        println!("{:.1} digits of {certified}", digits(got, certified));
        assert!(digits(got, certified) >= 10.0, "{got} {certified}");
    }
}

#[test]
fn wamplers_polynomials_to_seven_digits() {
    // NIST StRD "Wampler1" and "Wampler2" (R.H. Wampler, JASA 65 (1970) 549–565), which are defined by their polynomials:
    // x from 0 to 20, all coefficients 1; and powers of 0.1. The fit is exact.
    let x: Vec<Vec<f64>> = (0..6).map(|power| (0..21).map(|x| f64::from(x).powi(power)).collect()).collect();
    for factor in [1.0, 0.1f64] {
        let wanted: Vec<f64> = (0..6).map(|power| factor.powi(power)).collect();
        let y: Vec<f64> = (0..21).map(|i| (0..6).map(|j| wanted[j] * x[j][i]).sum()).collect();
        let fit = ordinary(&x, &y).unwrap();
        for (got, wanted) in fit.coefficients.iter().zip(wanted) {
            println!("{:.1} digits of {wanted}", digits(*got, wanted));
            assert!(digits(*got, wanted) >= 7.0, "{got} {wanted}");
        }
        near(fit.r_squared, 1.0, 1e-12);
        assert!(fit.residual_sd < 1e-6);
    }
}

#[test]
fn columns_that_say_nothing_of_their_own_give_none() {
    let one = vec![1.0; 5];
    let x = vec![1.0, 2.0, 3.0, 4.0, 5.0];
    let twice = x.iter().map(|x| 2.0 * x - 1.0).collect::<Vec<f64>>();
    let y = [1.0, 3.0, 2.0, 5.0, 4.0];
    assert!(ordinary(&[one.clone(), x.clone(), twice.clone()], &y).is_none());
    assert!(robust(&[one.clone(), x.clone(), twice], &y, &[], 0).is_none());
    assert!(ordinary(&[vec![0.0; 5]], &y).is_none());
    assert!(ordinary(&[], &y).is_none());
    assert!(ordinary(&[one.clone(), x.clone()], &y[..4]).is_none());
    assert!(ordinary(&[one.clone(), x.clone()], &[1.0, f64::NAN, 2.0, 3.0, 4.0]).is_none());
    assert!(robust(&[one.clone(), x.clone()], &y, &[0, 0, 1, 1, 2], 2).is_none());
    assert!(robust(&[one.clone(), x], &y, &[0, 0, 1], 2).is_none());
    assert!(robust(&[one], &[1.0], &[], 0).is_none());
    assert!(
        ordinary(&[vec![1.0, 1.0], vec![1.0, 2.0]], &[3.0, 4.0]).unwrap().standard_errors.iter().all(|e| *e == 0.0)
    );
}

#[test]
fn stackloss_gives_the_published_estimates() {
    let mut x = vec![vec![1.0; 21]];
    x.extend((1..4).map(|j| STACKLOSS.iter().map(|row| row[j]).collect::<Vec<f64>>()));
    let y: Vec<f64> = STACKLOSS.iter().map(|row| row[0]).collect();
    let fit = robust(&x, &y, &[], 0).unwrap();
    println!("{fit:?}");
    // MM-estimates of R's package robustbase (from memory): −41.525, 0.939, 0.580, −0.113, scale 1.912.
    for (got, wanted) in fit.coefficients.iter().zip([-41.525, 0.939, 0.580, -0.113]) {
        near(*got, wanted, 6e-4);
    }
    near(fit.scale, 1.912, 6e-4);
    // Day 21, and after it day 4, are the odd ones.
    let mut order: Vec<usize> = (0..21).collect();
    order.sort_by(|&a, &b| fit.weights[a].total_cmp(&fit.weights[b]));
    assert_eq!(order[..2], [20, 3]);
    assert!(fit.weights[20] < 0.1 && fit.weights[3] < 0.5, "{:?}", fit.weights);
}

/// Days of a fleet: heat on weather and work, with vehicles' own effects, some of them sick, some days wild.
struct Heat {
    x: Vec<Vec<f64>>,
    y: Vec<f64>,
    group: Vec<usize>,
    truth: Vec<f64>,
}

fn heat(chance: &mut Stream, vehicles: usize, days: usize, spread: f64, wild: f64) -> Heat {
    let truth: Vec<f64> = (0..vehicles).map(|_| spread * chance.normal()).collect();
    let mut heat = Heat { x: vec![vec![], vec![], vec![]], y: vec![], group: vec![], truth };
    for vehicle in 0..vehicles {
        for day in 0..days {
            let warm = 12.0 + 10.0 * (day as f64 / 58.0).sin() + 3.0 * chance.normal();
            let work = 8.0 * chance.unit();
            let noise = if chance.unit() < wild { 15.0 + 10.0 * chance.unit() } else { 1.5 * chance.normal() };
            for (column, value) in heat.x.iter_mut().zip([1.0, warm, work]) {
                column.push(value);
            }
            heat.y.push(6.0 + 0.7 * warm + 1.1 * work + heat.truth[vehicle] + noise);
            heat.group.push(vehicle);
        }
    }
    heat
}

#[test]
fn wild_days_hardly_move_the_fit_and_sick_vehicles_stand_out() {
    let mut chance = Stream::new(5);
    let mut heat = heat(&mut chance, 40, 30, 0.6, 0.15);
    for (y, group) in heat.y.iter_mut().zip(&heat.group) {
        if *group == 7 {
            *y += 6.0;
        }
    }
    let fit = robust(&heat.x, &heat.y, &heat.group, 40).unwrap();
    near(fit.coefficients[1], 0.7, 4.0 * fit.standard_errors[1]);
    near(fit.coefficients[2], 1.1, 4.0 * fit.standard_errors[2]);
    near(fit.scale, 1.5, 0.5);
    let worst = (0..40).max_by(|a, b| fit.effects[*a].value.total_cmp(&fit.effects[*b].value));
    assert_eq!(worst, Some(7));
    near(fit.effects[7].value, 6.0 + heat.truth[7], 4.0 * fit.effects[7].standard_error);
    // Least squares takes the wild days for scatter.
    let plain = ordinary(&heat.x, &heat.y).unwrap();
    assert!(plain.residual_sd > 3.0 * fit.scale, "{plain:?}");
    for j in 1..3 {
        assert!(fit.standard_errors[j] < 0.5 * plain.standard_errors[j]);
    }
}

fn calibration(vehicles: usize, days: usize, spread: f64, wild: f64, fleets: usize) {
    let mut chance = Stream::new(77);
    let (mut effects, mut slopes) = (vec![], vec![]);
    for _ in 0..fleets {
        let heat = heat(&mut chance, vehicles, days, spread, wild);
        let fit = robust(&heat.x, &heat.y, &heat.group, vehicles).unwrap();
        // The wild days shift all vehicles' level alike, if they do: effects are about the mean of the fleet.
        let inside = |v: &usize| {
            let effect = fit.effects[*v];
            (effect.value - heat.truth[*v]).abs() <= 1.645 * effect.standard_error
        };
        effects.push((0..vehicles).filter(inside).count() as f64 / vehicles as f64);
        for (j, truth) in [(1, 0.7), (2, 1.1)] {
            let covers = (fit.coefficients[j] - truth).abs() <= 1.645 * fit.standard_errors[j];
            slopes.push(f64::from(u8::from(covers)));
        }
    }
    for (what, covered) in [("effects", effects), ("slopes", slopes)] {
        let n = covered.len() as f64;
        let mean = covered.iter().sum::<f64>() / n;
        let error = (covered.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
        println!("{vehicles} vehicles, {days} days, spread {spread}, wild {wild}: {what} {mean:.3} ± {error:.3}");
        near(mean, 0.9, 0.02 + 3.0 * error);
    }
}

#[test]
fn errors_of_effects_and_slopes_cover_nine_of_ten() {
    calibration(12, 20, 1.0, 0.0, 150);
    calibration(12, 20, 0.3, 0.0, 150);
    calibration(40, 25, 1.0, 0.05, 60);
}

#[test]
fn rows_on_the_fit_leave_no_error() {
    let x = vec![vec![1.0; 12], (0..12).map(f64::from).collect::<Vec<f64>>()];
    let y: Vec<f64> = x[1].iter().map(|x| 3.0 + 2.0 * x).collect();
    let group: Vec<usize> = (0..12).map(|i| i % 3).collect();
    let fit = robust(&x, &y, &group, 4).unwrap();
    near(fit.coefficients[0], 3.0, 1e-6);
    near(fit.coefficients[1], 2.0, 1e-6);
    assert!(fit.effects.iter().all(|effect| effect.value.abs() < 1e-6 && effect.standard_error < 1e-4), "{fit:?}");
    let constant = robust(&[vec![1.0; 8]], &[0.0; 8], &[0; 8], 1).unwrap();
    assert_eq!(constant.coefficients, vec![0.0]);
}

proptest::proptest! {
    #[test]
    fn nothing_makes_it_panic_or_give_what_is_no_number(
        rows in proptest::collection::vec((-1e6..1e6f64, -3..3i32, 0usize..4), 0..25),
    ) {
        let x = vec![vec![1.0; rows.len()], rows.iter().map(|row| f64::from(row.1)).collect()];
        let y: Vec<f64> = rows.iter().map(|row| row.0.round()).collect();
        let group: Vec<usize> = rows.iter().map(|row| row.2).collect();
        if let Some(fit) = robust(&x, &y, &group, 4) {
            proptest::prop_assert!(fit.effects.len() == 4 && fit.weights.iter().all(|w| (0.0..=1.0).contains(w)));
        }
        if let Some(fit) = ordinary(&x, &y) {
            proptest::prop_assert!(fit.coefficients.iter().all(|c| c.is_finite()));
        }
    }
}
