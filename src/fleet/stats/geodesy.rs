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
