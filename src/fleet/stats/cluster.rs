//! Clusters of places.
//!
//! M. Ester, H.-P. Kriegel, J. Sander and X. Xu, "A density-based algorithm for discovering clusters", KDD-96, 226–231.

use std::collections::HashMap;

use super::geodesy::{Plane, metres};

/// Which cluster each point belongs to, counted from 0 in the order of the points; `None` for points that stand alone.
///
/// Points are `(latitude, longitude)` in degrees. A point with `least` points, itself among them, within `metres` of it
/// is at the core of a cluster; what is within that distance of a core belongs to it.
pub fn dbscan(points: &[(f64, f64)], metres: f64, least: usize) -> Vec<Option<usize>> {
    let mut labels = vec![None; points.len()];
    if !(metres.is_finite() && metres >= 0.0) {
        return labels;
    }
    let near = Near::new(points, metres);
    let mut found = vec![];
    let mut clusters = 0;
    for first in 0..points.len() {
        if labels[first].is_some() {
            continue;
        }
        near.find(first, &mut found);
        if found.len() < least.max(1) {
            continue;
        }
        labels[first] = Some(clusters);
        let mut waiting = std::mem::take(&mut found);
        while let Some(next) = waiting.pop() {
            if labels[next].is_some() {
                continue;
            }
            labels[next] = Some(clusters);
            near.find(next, &mut found);
            if found.len() >= least {
                waiting.extend(found.iter().filter(|&&index| labels[index].is_none()));
            }
        }
        clusters += 1;
    }
    labels
}

/// Points by cells as high as the distance, so that neighbours are in the cells about.
struct Near<'a> {
    points: &'a [(f64, f64)],
    metres: f64,
    height: f64,
    rows: HashMap<i64, Vec<usize>>,
}

/// Nowhere on the ellipsoid is a degree of latitude shorter (it is 110 574 m at the equator).
const METRES_A_DEGREE: f64 = 110_500.0;

impl<'a> Near<'a> {
    fn new(points: &'a [(f64, f64)], metres: f64) -> Self {
        let height = (metres / METRES_A_DEGREE).max(1e-7);
        let mut rows: HashMap<i64, Vec<usize>> = HashMap::new();
        for (index, point) in points.iter().enumerate() {
            if Plane::about(*point).is_some() {
                rows.entry(row(point.0, height)).or_default().push(index);
            }
        }
        for row in rows.values_mut() {
            row.sort_by(|&a, &b| points[a].1.total_cmp(&points[b].1));
        }
        Self { points, metres, height, rows }
    }

    /// Indices of the points within the distance of one, itself included, in rising order.
    fn find(&self, index: usize, found: &mut Vec<usize>) {
        found.clear();
        let point = self.points[index];
        let Some(plane) = Plane::about(point) else { return };
        let middle = row(point.0, self.height);
        for row in (middle - 1..=middle + 1).filter_map(|row| self.rows.get(&row)) {
            for window in self.windows(point, row) {
                found.extend(window.iter().filter(|&&other| self.is_near(&plane, point, self.points[other])));
            }
        }
        found.sort_unstable();
        found.dedup();
    }

    /// Stretches of a row, sorted by longitude, in which a neighbour can lie.
    fn windows<'r>(&self, point: (f64, f64), row: &'r [usize]) -> Vec<&'r [usize]> {
        // A parallel of latitude this far polewards is the shortest that a neighbour can lie on.
        let poleward = (point.0.abs() + 2.0 * self.height).min(90.0);
        let width = self.height / poleward.to_radians().cos().max(1e-9) * 1.01;
        if width >= 90.0 {
            return vec![row];
        }
        let within = |low: f64, high: f64| {
            let begin = row.partition_point(|&index| self.points[index].1 < low);
            let end = row.partition_point(|&index| self.points[index].1 <= high);
            &row[begin..end.max(begin)]
        };
        // Across the date line, and for whoever counts longitude from 0 to 360.
        [-360.0, 0.0, 360.0].map(|turn| within(point.1 + turn - width, point.1 + turn + width)).to_vec()
    }

    fn is_near(&self, plane: &Plane, point: (f64, f64), other: (f64, f64)) -> bool {
        let (east, north) = plane.metres(other);
        let flat = east.hypot(north);
        // The plane is good to 1 in 1000 over some kilometres away from the poles; what is close to the limit, or far,
        // or far north, is measured on the ellipsoid.
        if self.metres < 5_000.0 && point.0.abs() < 75.0 && (flat - self.metres).abs() > 0.002 * self.metres + 0.001 {
            return flat < self.metres;
        }
        metres(point, other) <= self.metres
    }
}

fn row(latitude: f64, height: f64) -> i64 {
    (latitude / height).floor() as i64
}

#[cfg(test)]
mod tests {
    use super::super::chance::Stream;
    use super::*;

    #[test]
    fn seven_places_are_two_clusters_and_one_alone() {
        // By another library with great circles, and distances far from the limit.
        let points = [
            (50.0, 8.0),
            (50.0001, 8.0001),
            (50.00012, 8.0),
            (50.005, 8.005),
            (50.00505, 8.0051),
            (50.0051, 8.005),
            (50.02, 8.02),
        ];
        let wanted = [Some(0), Some(0), Some(0), Some(1), Some(1), Some(1), None];
        assert_eq!(dbscan(&points, 25.0, 3), wanted);
    }

    #[test]
    fn the_documented_example_of_another_library() {
        // scikit-learn's DBSCAN docstring: eps 3, min_samples 2; its units taken as tenths of a kilometre about the equator.
        let points = [(1.0, 2.0), (2.0, 2.0), (2.0, 3.0), (8.0, 7.0), (8.0, 8.0), (25.0, 80.0)]
            .map(|(x, y)| (x * 100.0 / 110_574.0, y * 100.0 / 111_320.0));
        assert_eq!(dbscan(&points, 300.0, 2), [Some(0), Some(0), Some(0), Some(1), Some(1), None]);
    }

    /// By all pairs, as the definition says.
    fn slow(points: &[(f64, f64)], limit: f64, least: usize) -> Vec<Option<usize>> {
        let near = |i: usize| (0..points.len()).filter(move |&j| metres(points[i], points[j]) <= limit);
        let core: Vec<bool> = (0..points.len()).map(|i| near(i).count() >= least).collect();
        let mut labels = vec![None; points.len()];
        let mut next = 0;
        for i in 0..points.len() {
            if labels[i].is_some() || !core[i] {
                continue;
            }
            let mut waiting = vec![i];
            while let Some(j) = waiting.pop() {
                if labels[j].is_none() {
                    labels[j] = Some(next);
                    waiting.extend(near(j).filter(|_| core[j]));
                }
            }
            next += 1;
        }
        labels
    }

    #[test]
    fn cells_find_what_all_pairs_find() {
        let mut chance = Stream::new(2);
        for (latitude, longitude, reach) in
            [(47.3, 8.5, 0.004), (-0.0005, 179.9995, 0.004), (71.0, -30.0, 0.01), (89.9999, 10.0, 0.0002)]
        {
            let points: Vec<(f64, f64)> = (0..300)
                .map(|_| {
                    let east: f64 = longitude + reach * (chance.unit() - 0.5) * if latitude > 89.0 { 1e6 } else { 1.0 };
                    (latitude + reach * (chance.unit() - 0.5), if east > 180.0 { east - 360.0 } else { east })
                })
                .map(|(latitude, longitude)| (latitude.min(90.0), longitude))
                .collect();
            for limit in [10.0, 30.0] {
                assert_eq!(dbscan(&points, limit, 4), slow(&points, limit, 4), "{latitude} {limit}");
            }
        }
    }

    #[test]
    fn what_is_no_place_stands_alone() {
        let points = [(f64::NAN, 0.0), (1.0, f64::INFINITY), (95.0, 3.0), (1.0, 1.0), (1.0, 1.0)];
        assert_eq!(dbscan(&points, 5.0, 2), [None, None, None, Some(0), Some(0)]);
        assert_eq!(dbscan(&points, f64::NAN, 2), [None; 5]);
        assert_eq!(dbscan(&[], 5.0, 2), []);
        assert_eq!(dbscan(&[(1.0, 1.0)], 0.0, 0), [Some(0)]);
    }
}
