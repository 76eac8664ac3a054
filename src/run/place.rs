//! Places of the overhead and how far a position is from them.

/// A spot of special work in the overhead.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Its kind, as the rules' `special_work` names it: "section_gap".
    pub kind: String,
    /// Degrees, north positive (WGS 84).
    pub latitude: f64,
    /// Degrees, east positive (WGS 84).
    pub longitude: f64,
}

/// Mean radius of the Earth, m (IUGG R1).
const EARTH_RADIUS_M: f64 = 6_371_008.8;

/// Great-circle distance in metres between two points in degrees, by the haversine formula.
///
/// The Earth is taken as a sphere: up to 0.5 % off the ellipsoid, which is less than GNSS at the metres asked for.
pub fn haversine_m(from: (f64, f64), to: (f64, f64)) -> f64 {
    let (lat1, lat2) = (from.0.to_radians(), to.0.to_radians());
    let half_lat = ((lat2 - lat1) / 2.0).sin();
    let half_lon = ((to.1 - from.1).to_radians() / 2.0).sin();
    let h = half_lat * half_lat + lat1.cos() * lat2.cos() * half_lon * half_lon;
    2.0 * EARTH_RADIUS_M * h.sqrt().min(1.0).asin()
}

/// Places of one kind, and how near is near.
#[derive(Debug, Clone)]
pub(super) struct Near {
    metres: f64,
    /// By rising latitude.
    spots: Box<[(f64, f64)]>,
}

impl Near {
    pub(super) fn new(kind: &str, metres: f64, places: &[Place]) -> Self {
        let mut spots: Vec<_> = places
            .iter()
            .filter(|p| p.kind == kind && p.latitude.is_finite() && p.longitude.is_finite())
            .map(|p| (p.latitude, p.longitude))
            .collect();
        spots.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        Self { metres, spots: spots.into() }
    }

    /// Whether there is such a place at all.
    pub(super) fn is_anywhere(&self) -> bool {
        !self.spots.is_empty()
    }

    /// Whether one of the places is within reach.
    pub(super) fn holds(&self, position: (f64, f64)) -> bool {
        // A little wider than the sphere's degree, so that no place is passed over for rounding.
        let reach = self.metres / 111_000.0;
        let from = self.spots.partition_point(|spot| spot.0 < position.0 - reach);
        self.spots[from..]
            .iter()
            .take_while(|spot| spot.0 <= position.0 + reach)
            .any(|spot| haversine_m(*spot, position) <= self.metres)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Distances from the first point, R = 6371008.8 m, reckoned independently.
    #[test]
    fn short_distances_are_right_to_the_millimetre() {
        let expected = [
            ((50.0001, 8.0001), 13.219),
            ((50.00012, 8.0), 13.343),
            ((50.005, 8.005), 660.917),
            ((50.00505, 8.0051), 669.465),
            ((50.0051, 8.005), 670.298),
            ((50.02, 8.02), 2643.548),
        ];
        for (point, metres) in expected {
            let found = haversine_m((50.0, 8.0), point);
            assert!((found - metres).abs() < 0.001, "{point:?}: {found}");
        }
    }

    /// scikit-learn's documented pair, R = 6371 km.
    #[test]
    fn a_long_distance_is_right() {
        let found = haversine_m((-34.83333, -58.5166646), (49.0083899664, 2.53844117956)) / EARTH_RADIUS_M * 6371.0;
        assert!((found - 11_099.540_355_82).abs() < 1e-6, "{found}");
    }

    #[test]
    fn nearness_is_of_the_kind_and_within_the_metres() {
        let place = |kind: &str, latitude, longitude| Place { kind: kind.into(), latitude, longitude };
        let places =
            [place("curve", 50.0, 8.0), place("section_gap", 50.0001, 8.0001), place("section_gap", 51.0, 8.0)];
        assert!(Near::new("section_gap", 13.3, &places).holds((50.0, 8.0)));
        assert!(!Near::new("section_gap", 13.1, &places).holds((50.0, 8.0)));
        assert!(!Near::new("switch", 1e9, &places).holds((50.0, 8.0)));
        assert!(!Near::new("curve", 15.0, &places).holds((f64::NAN, 8.0)));
        assert!(Near::new("curve", 2e7, &places).holds((-49.0, -170.0)));
    }
}
