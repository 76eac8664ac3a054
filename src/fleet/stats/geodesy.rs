//! Metres on the WGS84 ellipsoid.
//!
//! Points are `(latitude, longitude)` in degrees. C.F.F. Karney, "Algorithms for geodesics", J. Geodesy 87 (2013) 43–55.

use std::sync::LazyLock;

use geographiclib_rs::{Geodesic, InverseGeodesic};

static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// Shortest way between two points on the ellipsoid, in metres. Infinite where a coordinate is no number, so that
/// nothing is ever near such a point.
pub fn metres(from: (f64, f64), to: (f64, f64)) -> f64 {
    if ![from.0, from.1, to.0, to.1].iter().all(|x| x.is_finite()) || from.0.abs() > 90.0 || to.0.abs() > 90.0 {
        return f64::INFINITY;
    }
    WGS84.inverse(from.0, from.1, to.0, to.1)
}

/// How far `point` is off a way of straight pieces, and how far along the way the nearest place on it lies, in metres.
///
/// Pieces are taken as straight in the plane about the point, which is good to centimetres for pieces of a few
/// kilometres. `None` for a way of no points, or a point that is no place.
pub fn near(point: (f64, f64), way: &[(f64, f64)]) -> Option<(f64, f64)> {
    let plane = Plane::about(point)?;
    let mut best: Option<(f64, f64)> = None;
    let mut begun = 0.0;
    if let [only] = way {
        best = Some((metres(point, *only), 0.0));
    }
    for piece in way.windows(2) {
        let length = metres(piece[0], piece[1]);
        if !length.is_finite() {
            continue;
        }
        let ((ax, ay), (bx, by)) = (plane.metres(piece[0]), plane.metres(piece[1]));
        let (dx, dy) = (bx - ax, by - ay);
        let squared = dx * dx + dy * dy;
        let part = if squared > 0.0 { (-(ax * dx + ay * dy) / squared).clamp(0.0, 1.0) } else { 0.0 };
        let off = (ax + part * dx).hypot(ay + part * dy);
        if best.is_none_or(|(least, _)| off < least) {
            best = Some((off, begun + part * length));
        }
        begun += length;
    }
    best.filter(|(off, _)| off.is_finite())
}

/// The tangent plane about a point: metres east and north of it, by the ellipsoid's radii of curvature there.
pub(super) struct Plane {
    latitude: f64,
    longitude: f64,
    east: f64,
    north: f64,
}

impl Plane {
    pub(super) fn about((latitude, longitude): (f64, f64)) -> Option<Self> {
        if !latitude.is_finite() || !longitude.is_finite() || latitude.abs() > 90.0 {
            return None;
        }
        let squared = WGS84.f * (2.0 - WGS84.f);
        let (sine, cosine) = latitude.to_radians().sin_cos();
        let w = 1.0 - squared * sine * sine;
        Some(Self {
            latitude,
            longitude,
            east: (WGS84.a / w.sqrt() * cosine).to_radians(),
            north: (WGS84.a * (1.0 - squared) / (w * w.sqrt())).to_radians(),
        })
    }

    pub(super) fn metres(&self, (latitude, longitude): (f64, f64)) -> (f64, f64) {
        // The shorter way round the date line.
        let east = (longitude - self.longitude + 540.0).rem_euclid(360.0) - 180.0;
        (east * self.east, (latitude - self.latitude) * self.north)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, wanted: f64, tolerance: f64) {
        assert!((got - wanted).abs() <= tolerance, "{got} is not {wanted} within {tolerance}");
    }

    #[test]
    fn geodesics_are_those_of_the_published_test_points() {
        // GeographicLib's own test set (C.F.F. Karney, MIT licence).
        let table = [
            ((35.60777, -139.44815), (-11.17491, -69.95921), 8_935_244.560_481_83),
            ((-19.79938, -174.47484), (-11.99349, -154.35109), 2_319_004.860_116_939),
            ((-41.22777, 122.32875), (-7.57291, 130.37946), 3_812_686.035_106_021),
        ];
        for (from, to, wanted) in table {
            close(metres(from, to), wanted, 1e-8 * wanted.sqrt());
        }
        close(metres((0.0, 0.0), (90.0, 0.0)), 10_001_965.729_3, 1e-4);
        close(metres((50.0, 8.0), (50.0001, 8.0002)), 18.1474, 5e-5);
    }

    #[test]
    fn the_plane_is_the_ellipsoid_in_the_small() {
        for point in [(47.3, 8.5), (0.0, 180.0), (-33.0, -70.6), (68.0, 20.0)] {
            let plane = Plane::about(point).unwrap();
            for (north, east) in [(0.001, 0.0), (0.0, 0.002), (-0.0015, 0.0015)] {
                let other = (point.0 + north, point.1 + east);
                let (x, y) = plane.metres(other);
                close(x.hypot(y), metres(point, other), 1e-3);
            }
        }
    }

    #[test]
    fn near_gives_how_far_off_and_along() {
        // Along a parallel, then north: a point 20 m north of the first piece's middle.
        let way = [(50.0, 8.0), (50.0, 8.002), (50.002, 8.002)];
        let first = metres(way[0], way[1]);
        let (off, along) = near((50.0 + 20.0 / 111_229.0, 8.001), &way).unwrap();
        close(off, 20.0, 0.02);
        close(along, first / 2.0, 0.05);
        let (off, along) = near((50.001, 8.0021), &way).unwrap();
        close(off, metres((50.001, 8.002), (50.001, 8.0021)), 0.01);
        close(along, first + metres(way[1], (50.001, 8.002)), 0.05);
        let (off, along) = near((49.99, 8.0), &way).unwrap();
        close(off, metres((49.99, 8.0), way[0]), 0.05);
        close(along, 0.0, 1e-9);
    }

    #[test]
    fn what_is_no_place_is_never_near() {
        assert!(metres((f64::NAN, 0.0), (0.0, 0.0)).is_infinite());
        assert!(near((f64::NAN, 0.0), &[(0.0, 0.0)]).is_none());
        assert!(near((1.0, 1.0), &[]).is_none());
        assert!(near((1.0, 1.0), &[(f64::NAN, 1.0), (f64::NAN, 2.0)]).is_none());
        assert_eq!(near((1.0, 1.0), &[(1.0, 1.0)]), Some((0.0, 0.0)));
        let (off, along) = near((1.0, 1.0), &[(1.0, 1.0), (1.0, 1.0)]).unwrap();
        assert_eq!((off, along), (0.0, 0.0));
    }
}
