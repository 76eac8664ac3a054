//! What there is to tell of pole-offs: plain numbers.

use jiff::civil::Date;

use crate::fleet::apart::Causes;
use crate::fleet::places::{Place, Position};
use crate::fleet::stats::poisson::Estimate;

/// Level of the exact limits.
pub const LEVEL: f64 = 0.95;
/// What happened in the last so many days tells what leaving it would cost.
pub const RECENT_DAYS: f64 = 90.0;

/// One pole-off.
#[derive(Debug, Clone)]
pub struct Seen {
    /// Fleet number.
    pub vehicle: String,
    /// Pseudonym; none where operators are off, or no duty says.
    pub operator: Option<String>,
    /// Service day.
    pub day: Date,
    /// Where.
    pub at: Option<Position>,
    /// Whether the place was reckoned from what was located before and after.
    pub between: bool,
    /// Whether the left collector had lost contact, and the right one.
    pub lost: (Option<bool>, Option<bool>),
}

/// What was seen of a thing, against what was expected.
#[derive(Debug, Clone, Default)]
pub struct Against {
    /// Pole-offs.
    pub observed: u64,
    /// Expected pole-offs.
    pub expected: f64,
    /// Exact limits of observed over expected, at 95 %; none where nothing was expected.
    pub limits: Option<(f64, f64)>,
    /// Factor of the rate in the joint model, shrunk, with its 90 % interval.
    pub factor: Option<Estimate>,
    /// Probability that the factor is above 1.
    pub above: Option<f64>,
    /// Pole-offs of the last 90 days.
    pub recent: u64,
}

/// A place.
#[derive(Debug, Clone)]
pub struct PlaceFinding {
    /// Which.
    pub place: Place,
    /// Its counts. Expected: at the rate of its like.
    pub against: Against,
    /// Passages; kilometres where no way is drawn.
    pub passages: f64,
    /// Vehicles that had a pole-off here, with how many; most first.
    pub vehicles: Vec<(String, u64)>,
    /// How probable each cause is; none where the place is not judged.
    pub causes: Option<Causes>,
    /// The cause, and how sure it is.
    pub verdict: Option<(Cause, f64)>,
    /// Last day with one.
    pub last: Option<Date>,
}

/// Why a place sees its pole-offs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cause {
    /// No more than others of its kind.
    Ordinary,
    /// The overhead here.
    Overhead,
    /// This vehicle.
    Vehicle(String),
    /// The overhead, and this vehicle beyond it.
    OverheadAndVehicle(String),
    /// The way in which one person drives here. Nobody is named.
    Driving,
    /// It cannot be told apart.
    Untold,
}

/// A vehicle.
#[derive(Debug, Clone)]
pub struct VehicleFinding {
    /// Fleet number.
    pub vehicle: String,
    /// Unit: km.
    pub km: f64,
    /// Its counts. Expected: had it the fleet's rate at each place it passed.
    pub against: Against,
    /// Places where it had pole-offs, with how many; most first.
    pub places: Vec<(String, u64)>,
    /// Pole-offs with the left, and with the right collector off the wire alone.
    pub sides: (u64, u64),
}

/// An operator with enough expected pole-offs. What was seen is not kept, only whether it lies outside of chance.
#[derive(Debug, Clone)]
pub struct OperatorFinding {
    /// Pseudonym.
    pub operator: String,
    /// Expected pole-offs with the same vehicles at the same places.
    pub expected: f64,
    /// Whether the exact limits, widened for so many operators, leave 1.
    pub leaves: Leaves,
}

/// Where limits lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Leaves {
    /// 1 is within them.
    No,
    /// Fewer than chance and circumstances explain.
    Fewer,
    /// More than they explain.
    More,
}

/// What the joint model says of the causes.
#[derive(Debug, Clone)]
pub struct Shares {
    /// Name of each factor: `place`, `vehicle`, `operator`.
    pub names: Vec<&'static str>,
    /// Share of what differs beyond chance, one a factor.
    pub shares: Vec<Estimate>,
    /// Probability of so much, had the factor no part in it.
    pub p: Vec<f64>,
    /// Whether the data can tell them apart.
    pub told_apart: bool,
    /// In a sentence.
    pub why: String,
}

/// All that was reckoned.
#[derive(Debug, Clone, Default)]
pub struct Findings {
    /// Pole-offs.
    pub total: u64,
    /// Those whose place was reckoned, and those whose place is not known.
    pub between: u64,
    /// Place not known.
    pub unknown: u64,
    /// Unit: km.
    pub km: f64,
    /// Days with the first and the last pole-off.
    pub days: Option<(Date, Date)>,
    /// Places with pole-offs, most first.
    pub places: Vec<PlaceFinding>,
    /// All vehicles, in order.
    pub vehicles: Vec<VehicleFinding>,
    /// By pseudonym; empty where operators are off.
    pub operators: Vec<OperatorFinding>,
    /// Operators with too few expected pole-offs to be shown.
    pub operators_left_out: usize,
    /// None where there is too little.
    pub shares: Option<Shares>,
    /// Places put together for the model's sake.
    pub put_together: bool,
}
