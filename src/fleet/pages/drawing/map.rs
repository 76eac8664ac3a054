//! The overhead, and what happened where: straight lines between the corners of the ways, north is up.

use super::super::words::number;
use super::key::{self, Sample};
use super::{Anchor, Dashes, Drawing, Form, Ink, Point, WORDS, fitting, wide};
use crate::fleet::sheet::{Spot, SpotKind};

/// Metres in a degree of latitude, within half a percent anywhere (WGS 84: 110,574 to 111,694).
const DEGREE: f64 = 111_132.0;
/// A map is no narrower than this. Unit: m.
const LEAST: f64 = 200.0;
/// Spots that are named beside their sign, the heaviest first.
const NAMED: usize = 8;

pub(super) fn draw(ways: &[(String, Vec<Point>)], spots: &[Spot], width: f64) -> Drawing {
    let mut out = Drawing::new(width);
    let on_earth = |(latitude, longitude): &Point| latitude.abs() <= 90.0 && longitude.abs() <= 180.0;
    let spots: Vec<&Spot> = spots.iter().filter(|spot| on_earth(&(spot.latitude, spot.longitude))).collect();
    let corners = ways.iter().flat_map(|(_, points)| points.iter().copied()).filter(on_earth);
    let all: Vec<Point> = corners.chain(spots.iter().map(|spot| (spot.latitude, spot.longitude))).collect();
    let Some(frame) = Frame::around(&all, width) else { return out };

    let signs = [SpotKind::ManyVehicles, SpotKind::OneVehicle, SpotKind::Untold, SpotKind::Plain];
    let used = signs.into_iter().filter(|kind| spots.iter().any(|spot| spot.kind == *kind));
    let samples: Vec<_> = used
        .map(|kind| {
            let (form, ink, name) = sign(kind);
            (Sample::Sign(form, ink), name.to_owned())
        })
        .collect();
    let top = if samples.is_empty() { 0.0 } else { key::draw(&mut out, samples, 0.0, width, 0.0) + 6.0 };
    let place = |point: Point| frame.place(point, top);
    let mut taken = Vec::new();
    for (_, points) in ways {
        for piece in points.split(|point| !on_earth(point)) {
            let piece: Vec<Point> = piece.iter().map(|point| place(*point)).collect();
            // Two wires.
            out.line(piece.clone(), Ink::Quiet, 3.0, Dashes::None);
            out.line(piece, Ink::Paper, 1.0, Dashes::None);
        }
    }
    let heaviest = spots.iter().map(|spot| weight(spot)).fold(0.0, f64::max);
    // The largest lie below, so that they hide nothing.
    let mut order: Vec<&Spot> = spots.clone();
    order.sort_by(|a, b| weight(b).total_cmp(&weight(a)));
    for spot in &order {
        let (form, ink, name) = sign(spot.kind);
        let share = if heaviest > 0.0 { weight(spot) / heaviest } else { 0.0 };
        let size = if spot.kind == SpotKind::Plain { 6.0 } else { 7.0 + 17.0 * share.sqrt() };
        let at = place((spot.latitude, spot.longitude));
        out.sign(at, size, form, ink, format!("{} ({name})", spot.label));
        taken.push((at.0 - size / 2.0, at.1 - size / 2.0, at.0 + size / 2.0, at.1 + size / 2.0));
    }
    // Names stand where they hide no sign and no other name; what finds no room is in the table.
    for spot in order.iter().filter(|spot| spot.kind != SpotKind::Plain).take(NAMED) {
        let at = place((spot.latitude, spot.longitude));
        name(&mut out, &mut taken, at, &spot.label, true);
    }
    for (way, points) in ways {
        let Some(middle) = points.get(points.len() / 2).filter(|point| on_earth(point)) else { continue };
        name(&mut out, &mut taken, place(*middle), way, false);
    }
    out.height = top + frame.height;
    frame.scale(&mut out);
    out
}

fn weight(spot: &Spot) -> f64 {
    if spot.weight.is_finite() { spot.weight.max(0.0) } else { 0.0 }
}

fn sign(kind: SpotKind) -> (Form, Ink, &'static str) {
    match kind {
        SpotKind::Plain => (Form::Cross, Ink::Quiet, "special work, nothing seen"),
        SpotKind::ManyVehicles => (Form::Square, Ink::Strong, "many vehicles"),
        SpotKind::OneVehicle => (Form::Disc, Ink::Main, "one vehicle"),
        SpotKind::Untold => (Form::Triangle, Ink::Words, "cannot be told"),
    }
}

/// Left, top, right, bottom.
type Room = (f64, f64, f64, f64);

/// Names a place to the right, left, above or below, where there is room.
fn name(out: &mut Drawing, taken: &mut Vec<Room>, (x, y): Point, text: &str, strong: bool) {
    let text = fitting(text, out.width * 0.4, strong);
    let (width, half) = (wide(&text, strong), WORDS / 2.0);
    let rooms = [
        (x + 14.0, y - half),
        (x - 14.0 - width, y - half),
        (x - width / 2.0, y - 16.0 - WORDS),
        (x - width / 2.0, y + 16.0),
    ];
    for (left, top) in rooms {
        let room = (left, top, left + width, top + WORDS);
        let inside = left >= 0.0 && room.2 <= out.width && top >= 0.0;
        let free = |other: &Room| room.2 < other.0 || room.0 > other.2 || room.3 < other.1 || room.1 > other.3;
        if inside && taken.iter().all(free) {
            let ink = if strong { Ink::Words } else { Ink::Quiet };
            out.words_of((left, top + WORDS * 0.85), text, Anchor::Start, ink, strong);
            taken.push(room);
            return;
        }
    }
}

/// From degrees to places.
struct Frame {
    /// North and west edge. Unit: degrees.
    corner: Point,
    /// Places a degree of latitude, and of longitude.
    per_degree: (f64, f64),
    height: f64,
}

/// Around the map.
const MARGIN: f64 = 24.0;

impl Frame {
    fn around(points: &[Point], width: f64) -> Option<Self> {
        let ends = |values: &mut dyn Iterator<Item = f64>| {
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
        };
        let (south, north) = ends(&mut points.iter().map(|point| point.0));
        let (west, east) = ends(&mut points.iter().map(|point| point.1));
        if south > north {
            return None;
        }
        let (latitude, longitude) = ((south + north) / 2.0, (west + east) / 2.0);
        // At the poles a degree of longitude is nothing.
        let narrower = latitude.to_radians().cos().max(0.01);
        let across = ((east - west) * DEGREE * narrower).max(LEAST);
        let upwards = ((north - south) * DEGREE).max(LEAST);
        let inner = width - 2.0 * MARGIN;
        let scale = (inner / across).min(inner * 0.9 / upwards);
        let height = (upwards * scale).max(inner * 0.35);
        let per_degree = (DEGREE * scale, DEGREE * narrower * scale);
        let corner = (latitude + height / 2.0 / per_degree.0, longitude - inner / 2.0 / per_degree.1);
        Some(Self { corner, per_degree, height: height + 2.0 * MARGIN + WORDS })
    }

    fn place(&self, (latitude, longitude): Point, top: f64) -> Point {
        (
            MARGIN + (longitude - self.corner.1) * self.per_degree.1,
            top + MARGIN + (self.corner.0 - latitude) * self.per_degree.0,
        )
    }

    /// A measure of a round length, and which way is north.
    fn scale(&self, out: &mut Drawing) {
        let per_metre = self.per_degree.0 / DEGREE;
        let room = out.width / 3.0;
        let lengths = (0..8).flat_map(|power| [1.0, 2.0, 5.0].map(|times| times * 10f64.powi(power)));
        let Some(metres) = lengths.take_while(|metres| metres * per_metre <= room).last() else { return };
        let (y, length) = (out.height - 6.0, metres * per_metre);
        out.line(vec![(0.0, y - 5.0), (0.0, y), (length, y), (length, y - 5.0)], Ink::Words, 1.2, Dashes::None);
        let text = if metres >= 1000.0 {
            format!("{} km", number(metres / 1000.0, 0))
        } else {
            format!("{} m", number(metres, 0))
        };
        out.words((length + 6.0, y), text, Anchor::Start, Ink::Words);
        let (x, y) = (out.width - 8.0, out.height - 6.0);
        out.line(vec![(x, y), (x, y - 22.0)], Ink::Words, 1.2, Dashes::None);
        out.line(vec![(x - 4.0, y - 15.0), (x, y - 22.0), (x + 4.0, y - 15.0)], Ink::Words, 1.2, Dashes::None);
        out.words((x - 6.0, y), "N", Anchor::End, Ink::Words);
    }
}
