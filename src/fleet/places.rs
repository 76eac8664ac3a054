//! Places on the overhead, and how often vehicles pass them.
//!
//! Positions and the drawn overhead in; places, which position belongs to which, and passages a kilometre driven on a
//! line out. Knows neither the store nor what happened at a place.
//!
//! A position within 30 m of special work is there. What is left is clustered into places of their own; what is in no
//! cluster is 'plain wire, elsewhere', which is passed as so many pieces of 50 m. So one passage means much the same
//! everywhere. A vehicle that drives the length of a line once has passed each place on it once.

use std::collections::{BTreeMap, HashMap};

use super::stats::{cluster, gamma_poisson, geodesy};
use crate::records::Overhead;

/// Nearer than this to special work, a position belongs to it. Satellite positions under wires err by 5 to 15 m, and
/// a vehicle is 12 to 25 m long.
pub const SPECIAL_WITHIN_M: f64 = 30.0;
/// A way this near to special work passes it.
const PASSES_WITHIN_M: f64 = 25.0;
/// A position this near to a way is on it.
const ON_WAY_WITHIN_M: f64 = 40.0;
/// Positions so near to each other are one place.
const CLUSTER_WITHIN_M: f64 = 25.0;
/// So many positions make a place of their own.
pub const CLUSTER_LEAST: usize = 3;
/// A cluster that reaches further than this from its middle is a street, not a place, and is cut into pieces.
const CLUSTER_REACH_M: f64 = 60.0;
/// Length of a piece of plain wire.
pub const PIECE_M: f64 = 50.0;
/// Metres of one degree of latitude, near enough to sort out what is far away.
const DEGREE_M: f64 = 111_200.0;

/// Latitude and longitude. Unit: degrees.
pub type Position = (f64, f64);

/// What a place is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kind {
    /// Special work, of this kind.
    Special(String),
    /// A place of its own on plain wire.
    Wire,
    /// All plain wire that is no place of its own.
    Elsewhere,
    /// Where it happened is not known.
    Unknown,
}

/// A place.
#[derive(Debug, Clone)]
pub struct Place {
    /// Short: the number on the overhead plan, or line and kilometre.
    pub id: String,
    /// In words.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// Where; none of what is no single spot.
    pub at: Option<Position>,
    /// How often a drive along the line passes it, by line.
    pub passes: BTreeMap<String, f64>,
}

impl Place {
    /// Whether it is one spot that somebody could be sent to.
    pub fn is_spot(&self) -> bool {
        self.at.is_some()
    }

    /// Its kind, in words.
    pub fn kind_word(&self) -> String {
        match &self.kind {
            Kind::Special(kind) => kind.replace('_', " "),
            Kind::Wire => "plain wire".to_owned(),
            Kind::Elsewhere => "plain wire, elsewhere".to_owned(),
            Kind::Unknown => "place not known".to_owned(),
        }
    }
}

/// Positions, put to places.
#[derive(Debug, Clone)]
pub struct Located {
    /// All special work, then places of their own, then 'elsewhere' and 'not known'.
    pub places: Vec<Place>,
    /// Place of each position, by its index.
    pub of: Vec<usize>,
}

/// The drawn overhead, measured.
#[derive(Debug)]
pub struct Network<'a> {
    overhead: &'a Overhead,
    /// Length by line. Unit: m.
    lengths: BTreeMap<String, f64>,
    special: Vec<Place>,
}

impl<'a> Network<'a> {
    /// Measures what was drawn. Ways of fewer than two usable corners are passed over.
    pub fn new(overhead: &'a Overhead) -> Self {
        let mut lengths: BTreeMap<String, f64> = BTreeMap::new();
        for way in overhead.ways.iter().filter(|way| way.points.len() >= 2 && way.points.iter().all(|&at| usable(at))) {
            let length: f64 = way.points.windows(2).map(|pair| geodesy::metres(pair[0], pair[1])).sum();
            if length.is_finite() && length > 0.0 {
                *lengths.entry(way.line.clone()).or_default() += length;
            }
        }
        let mut network = Self { overhead, lengths, special: Vec::new() };
        network.special = overhead
            .special
            .iter()
            .filter(|work| usable((work.latitude, work.longitude)))
            .map(|work| {
                let at = (work.latitude, work.longitude);
                let near = network.lines_near(at, PASSES_WITHIN_M);
                let passes = if work.lines.is_empty() {
                    near
                } else {
                    work.lines.iter().map(|line| (line.clone(), near.get(line).copied().unwrap_or(1.0))).collect()
                };
                let name = if work.name.is_empty() { work.kind.replace('_', " ") } else { work.name.clone() };
                let name = if work.id.is_empty() { name } else { format!("{} ({name})", work.id) };
                let id = if work.id.is_empty() { spot_id(at) } else { work.id.clone() };
                Place { id, name, kind: Kind::Special(work.kind.clone()), at: Some(at), passes }
            })
            .collect();
        network
    }

    /// Whether passages can be counted: some way is drawn. Else kilometres stand for them.
    pub fn has_ways(&self) -> bool {
        !self.lengths.is_empty()
    }

    /// Whether a line's way is drawn.
    pub fn knows(&self, line: &str) -> bool {
        self.lengths.contains_key(line)
    }

    /// Pieces of plain wire in all that is drawn.
    pub fn pieces(&self) -> f64 {
        self.lengths.values().sum::<f64>() / PIECE_M
    }

    /// The ways, for a map.
    pub fn ways(&self) -> Vec<(String, Vec<Position>)> {
        let ways = self.overhead.ways.iter().filter(|way| way.points.iter().all(|&at| usable(at)));
        ways.map(|way| (format!("line {}", way.line), way.points.clone())).collect()
    }

    /// Passages of each place in a kilometre driven on each line; a line that is none, or not drawn, is the network at
    /// large. Without any way, a kilometre is a kilometre.
    pub fn passages_a_km(&self, places: &[Place], lines: &[Option<String>]) -> Vec<Vec<f64>> {
        let total: f64 = self.lengths.values().sum();
        let on_line = |place: &Place, line: &str, length: f64| match place.kind {
            Kind::Special(_) | Kind::Wire => place.passes.get(line).copied().unwrap_or(0.0) * 1000.0 / length,
            Kind::Elsewhere => {
                let others: f64 = places.iter().filter(|p| p.is_spot()).filter_map(|p| p.passes.get(line)).sum();
                (length / PIECE_M - others).max(1.0) * 1000.0 / length
            }
            Kind::Unknown => 1000.0 / PIECE_M,
        };
        lines
            .iter()
            .map(|line| {
                if !self.has_ways() {
                    return vec![1.0; places.len()];
                }
                let known = line.as_ref().and_then(|line| Some((line, *self.lengths.get(line)?)));
                places
                    .iter()
                    .map(|place| match known {
                        Some((line, length)) => on_line(place, line, length),
                        None => self.lengths.iter().map(|(line, &l)| on_line(place, line, l) * l / total).sum(),
                    })
                    .collect()
            })
            .collect()
    }

    /// Puts positions to places. `times`: how often each position stands for something; all once where it is empty.
    pub fn locate(&self, positions: &[Option<Position>], times: &[u64]) -> Located {
        let mut places = self.special.clone();
        let near = Near::new(&places);
        let mut of: Vec<Option<usize>> =
            positions.iter().map(|at| near.special((*at).filter(|&at| usable(at))?, &places)).collect();
        let mut points = Vec::new();
        let mut owners = Vec::new();
        for (index, at) in positions.iter().enumerate() {
            if let (None, Some(at)) = (of[index], at.filter(|&at| usable(at))) {
                let repeat = times.get(index).map_or(1, |&times| times.min(CLUSTER_LEAST as u64));
                points.extend((0..repeat).map(|_| at));
                owners.extend((0..repeat).map(|_| index));
            }
        }
        let labels = cut_streets(&points, cluster::dbscan(&points, CLUSTER_WITHIN_M, CLUSTER_LEAST));
        let mut clusters: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (point, label) in labels.iter().enumerate() {
            if let Some(label) = label {
                clusters.entry(*label).or_default().push(point);
            }
        }
        for members in clusters.values() {
            let weight = |point: &usize| {
                let owner = owners[*point];
                let times = times.get(owner).copied().unwrap_or(1);
                times as f64 / times.clamp(1, CLUSTER_LEAST as u64) as f64
            };
            let total: f64 = members.iter().map(weight).sum();
            let middle = |part: fn(Position) -> f64| {
                members.iter().map(|point| part(points[*point]) * weight(point)).sum::<f64>() / total
            };
            let place = self.own_place((middle(|at| at.0), middle(|at| at.1)));
            for point in members {
                of[owners[*point]] = Some(places.len());
            }
            places.push(place);
        }
        make_ids_differ(&mut places);
        let elsewhere = places.len();
        let passes = BTreeMap::new();
        places.push(Place {
            id: "elsewhere".to_owned(),
            name: "plain wire, elsewhere".to_owned(),
            kind: Kind::Elsewhere,
            at: None,
            passes: passes.clone(),
        });
        let is_unknown = |at: &Option<Position>| !at.is_some_and(usable);
        if positions.iter().any(is_unknown) {
            let name = "place not known".to_owned();
            places.push(Place { id: "not-known".to_owned(), name, kind: Kind::Unknown, at: None, passes });
        }
        let of = of
            .into_iter()
            .zip(positions)
            .map(|(place, at)| place.unwrap_or(if is_unknown(at) { elsewhere + 1 } else { elsewhere }))
            .collect();
        Located { places, of }
    }

    /// A place of its own, named by line and kilometre, and by the nearest special work.
    fn own_place(&self, at: Position) -> Place {
        let nearest = self
            .measured_ways()
            .filter_map(|way| Some((geodesy::near(at, &way.points)?, way)))
            .filter(|((off, _), _)| *off <= ON_WAY_WITHIN_M)
            .min_by(|((a, _), _), ((b, _), _)| a.total_cmp(b));
        let (id, mut name) = match nearest {
            Some(((_, along), way)) => {
                let km = along / 1000.0;
                (format!("line-{}-{km:.2}-km", way.line), format!("line {}, {km:.2} km along", way.line))
            }
            None => (spot_id(at), format!("{:.5}, {:.5}", at.0, at.1)),
        };
        let beside = self.special.iter().filter_map(|work| Some((geodesy::metres(at, work.at?), &work.id)));
        if let Some((metres, id)) = beside.min_by(|a, b| a.0.total_cmp(&b.0)).filter(|(metres, _)| *metres <= 500.0) {
            name.push_str(&format!(", {metres:.0} m from {id}"));
        }
        Place { id, name, kind: Kind::Wire, at: Some(at), passes: self.lines_near(at, ON_WAY_WITHIN_M) }
    }

    /// How many ways of each line come so near.
    fn lines_near(&self, at: Position, metres: f64) -> BTreeMap<String, f64> {
        let mut lines = BTreeMap::new();
        for way in self.measured_ways() {
            if geodesy::near(at, &way.points).is_some_and(|(off, _)| off <= metres) {
                *lines.entry(way.line.clone()).or_default() += 1.0;
            }
        }
        lines
    }

    fn measured_ways(&self) -> impl Iterator<Item = &'a crate::records::Way> {
        self.overhead.ways.iter().filter(|way| way.points.len() >= 2 && way.points.iter().all(|&at| usable(at)))
    }
}

/// Rates are drawn towards the network's as if the kind had one place more with so many events.
const DRAWN_BY: f64 = 1.0;
/// Places of a kind that cannot be compared with enough others are taken to differ by some 60 %.
const ALIKE_UNTOLD: f64 = 3.0;
/// Fewer places of a kind do not tell how much they differ.
const ALIKE_FROM: usize = 5;

/// What is usual for places of a kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usual {
    /// Events a passage.
    pub rate: f64,
    /// Shape of the gamma distribution of rates from place to place: the higher, the more alike.
    pub alike: f64,
}

/// What is usual for a place of this kind: its like, without this one and those that stand out; the rate drawn a little
/// towards the whole network's. `sums`: counts and passages by place; `pieces`: of plain wire, in all.
///
/// Places that stand out are left out only while they hold the smaller part of all events: else they are what is usual.
pub fn usual(places: &[Place], place: usize, sums: &[(u64, f64)], stands_out: &[bool], pieces: f64) -> Usual {
    let in_all: u64 = sums.iter().map(|sum| sum.0).sum();
    let standing_out: u64 = sums.iter().zip(stands_out).filter(|(_, out)| **out).map(|(sum, _)| sum.0).sum();
    let nowhere = vec![false; places.len()];
    let stands_out = if 2 * standing_out > in_all { &nowhere } else { stands_out };
    let is_wire = |kind: &Kind| matches!(kind, Kind::Wire | Kind::Elsewhere | Kind::Unknown);
    let is_like = |other: usize| match (&places[place].kind, &places[other].kind) {
        (Kind::Special(one), Kind::Special(other)) => one == other,
        (one, other) => is_wire(one) && is_wire(other),
    };
    let add = |keep: &dyn Fn(usize) -> bool| {
        let kept = (0..sums.len()).filter(|&at| keep(at));
        kept.fold((0.0, 0.0), |sum, at| (sum.0 + sums[at].0 as f64, sum.1 + sums[at].1))
    };
    let others = add(&|at| at != place && !stands_out[at]);
    let all = add(&|_| true);
    let rate = |(count, passages): (f64, f64)| if passages > 0.0 { count / passages } else { 0.0 };
    let network = if rate(others) > 0.0 { rate(others) } else { rate(all).max(f64::MIN_POSITIVE) };
    let like: Vec<usize> = (0..sums.len()).filter(|&at| at != place && !stands_out[at] && is_like(at)).collect();
    let sum = add(&|at| like.contains(&at));
    let spots = like.iter().copied().filter(|&at| places[at].is_spot() && sums[at].1 > 0.0);
    let (mut counts, mut passages): (Vec<u64>, Vec<f64>) = spots.map(|at| sums[at]).unzip();
    if is_wire(&places[place].kind) {
        // Pieces that are no place of their own had one at most, or were spread: they are as usual as the others.
        for at in like.iter().copied().filter(|&at| places[at].kind == Kind::Elsewhere) {
            let pieces = (pieces - counts.len() as f64).clamp(1.0, 5000.0) as u64;
            let each = |piece: u64| sums[at].0 / pieces + u64::from(piece < sums[at].0 % pieces);
            counts.extend((0..pieces).map(each));
            passages.extend((0..pieces).map(|_| sums[at].1 / pieces as f64));
        }
    }
    let fit = if counts.len() >= ALIKE_FROM { gamma_poisson::fit(&counts, &passages) } else { None };
    Usual {
        rate: (sum.0 + DRAWN_BY) / (sum.1 + DRAWN_BY / network),
        alike: fit.map_or(ALIKE_UNTOLD, |fit| fit.shape.clamp(0.2, 50.0)),
    }
}

/// Whether a position can be one: on earth, and not the zero of a receiver that knows nothing yet.
pub fn usable((latitude, longitude): Position) -> bool {
    latitude.is_finite()
        && longitude.is_finite()
        && latitude.abs() <= 90.0
        && longitude.abs() <= 180.0
        && (latitude, longitude) != (0.0, 0.0)
}

fn spot_id((latitude, longitude): Position) -> String {
    format!("at-{latitude:.5}-{longitude:.5}")
}

/// Two places of one name get numbers behind it.
fn make_ids_differ(places: &mut [Place]) {
    let mut seen: HashMap<String, usize> = HashMap::new();
    for place in places {
        let times = seen.entry(place.id.clone()).or_default();
        *times += 1;
        if *times > 1 {
            place.id = format!("{}-{times}", place.id);
        }
    }
}

/// Special work by squares of about 50 m.
struct Near {
    squares: HashMap<(i64, i64), Vec<usize>>,
    narrowing: f64,
}

impl Near {
    fn new(places: &[Place]) -> Self {
        let spots = || places.iter().enumerate().filter_map(|(index, place)| Some((index, place.at?)));
        let most = spots().map(|(_, at)| at.0.abs()).fold(0.0, f64::max);
        let narrowing = most.min(85.0).to_radians().cos();
        let mut near = Self { squares: HashMap::new(), narrowing };
        for (index, at) in spots() {
            near.squares.entry(near.square(at)).or_default().push(index);
        }
        near
    }

    /// At the latitude furthest from the equator squares are narrowest, so a neighbour is never missed.
    fn square(&self, (latitude, longitude): Position) -> (i64, i64) {
        let side = 50.0 / DEGREE_M;
        ((latitude / side).floor() as i64, (longitude * self.narrowing / side).floor() as i64)
    }

    fn special(&self, at: Position, places: &[Place]) -> Option<usize> {
        let (row, column) = self.square(at);
        let around = (row - 1..=row + 1).flat_map(|row| (column - 1..=column + 1).map(move |column| (row, column)));
        around
            .filter_map(|square| self.squares.get(&square))
            .flatten()
            .filter_map(|&index| Some((geodesy::metres(at, places[index].at?), index)))
            .filter(|(metres, _)| *metres <= SPECIAL_WITHIN_M)
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
            .map(|(_, index)| index)
    }
}

/// Cuts clusters that reach along a street into squares of a piece's length; squares of too few are no places.
fn cut_streets(points: &[Position], labels: Vec<Option<usize>>) -> Vec<Option<usize>> {
    let count = labels.iter().flatten().max().map_or(0, |most| most + 1);
    let mut sums = vec![(0.0, 0.0, 0.0); count];
    for (&(latitude, longitude), label) in points.iter().zip(&labels) {
        if let Some(label) = *label {
            let sum = &mut sums[label];
            *sum = (sum.0 + latitude, sum.1 + longitude, sum.2 + 1.0);
        }
    }
    let mut is_street = vec![false; count];
    for (&at, label) in points.iter().zip(&labels) {
        if let Some(label) = *label {
            let (latitude, longitude, members) = sums[label];
            let middle = (latitude / members, longitude / members);
            is_street[label] |= geodesy::metres(at, middle) > CLUSTER_REACH_M;
        }
    }
    let mut squares: BTreeMap<(usize, i64, i64), Vec<usize>> = BTreeMap::new();
    for (point, (&(latitude, longitude), label)) in points.iter().zip(&labels).enumerate() {
        if let Some(label) = (*label).filter(|&label| is_street[label]) {
            let side = PIECE_M / DEGREE_M;
            let narrowing = (sums[label].0 / sums[label].2).to_radians().cos();
            let square = (label, (latitude / side).floor() as i64, (longitude * narrowing / side).floor() as i64);
            squares.entry(square).or_default().push(point);
        }
    }
    let mut cut: Vec<Option<usize>> =
        labels.into_iter().map(|label| label.filter(|&label| !is_street[label])).collect();
    for (index, members) in squares.values().filter(|members| members.len() >= CLUSTER_LEAST).enumerate() {
        for &point in members {
            cut[point] = Some(count + index);
        }
    }
    cut
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::records::{SpecialWork, Way};

    /// A straight line of 2 km going north from 44.30, 13.90, with a switch at 500 m; another line crosses far away.
    fn overhead() -> Overhead {
        let north = |metres: f64| (44.3 + metres / 111_112.0, 13.9);
        let special = |id: &str, kind: &str, at: Position| SpecialWork {
            id: id.into(),
            kind: kind.into(),
            latitude: at.0,
            longitude: at.1,
            ..SpecialWork::default()
        };
        Overhead {
            ways: vec![
                Way { line: "1".into(), wired: true, points: vec![north(0.0), north(1000.0), north(2000.0)] },
                Way { line: "2".into(), wired: true, points: vec![(44.4, 13.9), (44.4, 14.0)] },
            ],
            special: vec![special("S-1", "switch", north(500.0)), special("S-2", "switch", north(1500.0))],
        }
    }

    fn north(metres: f64) -> Option<Position> {
        Some((44.3 + metres / 111_112.0, 13.9))
    }

    #[test]
    fn positions_go_to_special_work_to_places_of_their_own_and_elsewhere() {
        let overhead = overhead();
        let network = Network::new(&overhead);
        let seen = [north(510.0), north(480.0), north(900.0), north(905.0), north(910.0), north(1200.0), None];
        let located = network.locate(&seen, &[]);
        let names: Vec<&str> = located.of.iter().map(|&at| located.places[at].id.as_str()).collect();
        assert_eq!(names[..2], ["S-1", "S-1"]);
        assert_eq!(names[2..5], ["line-1-0.91-km"; 3], "{names:?}");
        assert_eq!(names[5..], ["elsewhere", "not-known"]);
        let place = &located.places[located.of[2]];
        assert_eq!(place.name, "line 1, 0.91 km along, 405 m from S-1");
        assert_eq!(place.passes.get("1"), Some(&1.0));
    }

    #[test]
    fn a_kilometre_of_a_line_passes_its_places_and_no_others() {
        let overhead = overhead();
        let network = Network::new(&overhead);
        let located = network.locate(&[north(900.0); 3], &[]);
        let lines = [Some("1".to_owned()), Some("2".to_owned()), None, Some("99".to_owned())];
        let passages = network.passages_a_km(&located.places, &lines);
        assert!((passages[0][0] - 0.5).abs() < 1e-3, "2 km are one passage: {:?}", passages[0]);
        assert_eq!(passages[1][0], 0.0, "line 2 does not pass S-1");
        assert!(passages[2][0] > 0.0 && passages[2][0] < passages[0][0], "at large, in proportion");
        assert_eq!(passages[2], passages[3], "a line that is not drawn is the network at large");
        let elsewhere = located.places.iter().position(|place| place.kind == Kind::Elsewhere).unwrap();
        assert!((passages[0][elsewhere] - (40.0 - 3.0) / 2.0).abs() < 0.1, "pieces of 50 m, less three places");
    }

    #[test]
    fn positions_that_are_none_and_an_overhead_that_is_none() {
        let nothing = Overhead::default();
        let network = Network::new(&nothing);
        let odd = [Some((f64::NAN, 1.0)), Some((0.0, 0.0)), Some((123.0, 4.0)), None];
        let located = network.locate(&odd, &[]);
        assert!(located.of.iter().all(|&at| located.places[at].kind == Kind::Unknown));
        assert_eq!(network.passages_a_km(&located.places, &[None]), [vec![1.0; located.places.len()]]);
        let here = Some((44.3, 13.9));
        let located = network.locate(&[here; 4], &[]);
        assert_eq!(located.places[located.of[0]].id, "at-44.30000-13.90000");
        assert!(network.locate(&[], &[]).of.is_empty());
    }

    #[test]
    fn a_street_full_of_them_is_cut_into_pieces() {
        let overhead = overhead();
        let network = Network::new(&overhead);
        let seen: Vec<Option<Position>> = (0..80).map(|at| north(600.0 + 10.0 * f64::from(at))).collect();
        let located = network.locate(&seen, &[]);
        let own = located.places.iter().filter(|place| place.kind == Kind::Wire).count();
        assert!((10..=18).contains(&own), "800 m are some 16 pieces, not {own}");
    }

    #[test]
    fn what_stands_for_many_makes_a_place_alone() {
        let overhead = overhead();
        let network = Network::new(&overhead);
        let located = network.locate(&[north(900.0), north(1200.0)], &[50, 1]);
        assert_eq!(located.places[located.of[0]].kind, Kind::Wire);
        assert_eq!(located.places[located.of[1]].kind, Kind::Elsewhere);
    }
}
