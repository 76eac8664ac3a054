//! A definition file as it is written: the shapes serde reads, unknown keys refused, places kept.
//!
//! Nothing here is trusted; [`super::check`] turns it into [`super::Definitions`] or into problems. The JSON Schema
//! of the format is generated from these types.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::Deserialize;

/// A value and its place in the file, in bytes.
#[derive(Debug, Clone, Deserialize)]
#[serde(transparent)]
pub struct At<T>(toml::Spanned<T>);

impl<T> At<T> {
    /// The value.
    pub fn get(&self) -> &T {
        self.0.get_ref()
    }

    /// Where it stands.
    pub fn span(&self) -> Range<usize> {
        self.0.span()
    }
}

impl<T: JsonSchema> JsonSchema for At<T> {
    fn inline_schema() -> bool {
        T::inline_schema()
    }
    fn schema_name() -> Cow<'static, str> {
        T::schema_name()
    }
    fn schema_id() -> Cow<'static, str> {
        T::schema_id()
    }
    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        T::json_schema(generator)
    }
}

/// One file of a definition set.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "yardtap signal definitions, format 1")]
pub struct WrittenFile {
    /// Format of this file: 1.
    pub format: At<i64>,
    /// CAN networks of a vehicle, by name.
    #[serde(default)]
    pub bus: BTreeMap<String, At<WrittenBus>>,
    /// Frame layouts.
    #[serde(default)]
    pub message: Vec<At<WrittenMessage>>,
    /// Modules on the buses, by address.
    #[serde(default)]
    pub module: Vec<At<WrittenModule>>,
    /// What a run is.
    #[serde(default)]
    pub run: Option<At<WrittenRun>>,
    /// Conditions for runs and counters.
    #[serde(default)]
    pub condition: Vec<At<WrittenCondition>>,
    /// What is counted over each run.
    #[serde(default)]
    pub counter: Vec<At<WrittenCounter>>,
}

/// How identifiers of a bus are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Protocol {
    /// Identifiers mean what the definitions say, nothing more.
    Plain,
    /// SAE J1939: parameter group, source and destination in 29 bits.
    J1939,
    /// CiA 301: function code and node in 11 bits.
    Canopen,
}

/// One CAN network.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenBus {
    /// How identifiers are read.
    pub protocol: Protocol,
    /// Nominal bit rate, bit/s.
    pub bitrate: At<i64>,
    /// Bit rate of the CAN FD data phase, bit/s.
    pub fd_bitrate: Option<At<i64>>,
    /// What the bus is for.
    pub about: Option<String>,
}

/// One frame layout.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenMessage {
    /// Names the table: lower case, digits and _.
    pub name: At<String>,
    /// The bus it is on.
    pub bus: At<String>,
    /// 11-bit identifier.
    pub id: Option<At<i64>>,
    /// 29-bit identifier.
    pub extended_id: Option<At<i64>>,
    /// J1939 parameter group number.
    pub pgn: Option<At<i64>>,
    /// J1939 source address; left out: any.
    pub source: Option<At<i64>>,
    /// Payload bytes.
    pub length: Option<At<i64>>,
    /// Expected period, such as "100ms".
    pub period: Option<At<String>>,
    /// One sentence.
    pub about: Option<String>,
    /// The values in it.
    #[serde(default)]
    pub signal: Vec<At<WrittenSignal>>,
    /// Payloads with the values they hold.
    #[serde(default)]
    pub example: Vec<At<WrittenExample>>,
}

/// Where the heavier bytes of a number lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Order {
    /// In higher-numbered bytes.
    #[default]
    Little,
    /// In lower-numbered bytes.
    Big,
}

/// How the bits make a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum As {
    /// Binary number from 0.
    Unsigned,
    /// Two's complement.
    Signed,
    /// IEEE 754 of 16, 32 or 64 bits.
    Float,
    /// Yes or no.
    Flag,
}

/// One value in a message.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenSignal {
    /// Names the column: lower case, digits and _.
    pub name: At<String>,
    /// byte.bit of the least significant bit, both counted from 1.
    pub lsb: At<String>,
    /// Number of bits, 1 to 64.
    pub bits: At<i64>,
    /// Where the heavier bytes lie.
    #[serde(default)]
    pub order: Order,
    /// How the bits make a number; a single bit is a flag, more are unsigned.
    #[serde(rename = "as")]
    pub form: Option<At<As>>,
    /// value = raw × scale + offset.
    pub scale: Option<At<f64>>,
    /// value = raw × scale + offset.
    pub offset: Option<At<f64>>,
    /// UCUM code.
    pub unit: Option<At<String>>,
    /// Lowest and highest value to be believed, in the unit.
    pub plausible: Option<At<Vec<f64>>>,
    /// Raw patterns that mean 'not available'.
    pub unavailable: Option<At<WrittenPatterns>>,
    /// Raw patterns that mean 'error'.
    pub error: Option<At<Vec<WrittenPattern>>>,
    /// Names of raw values.
    pub labels: Option<At<BTreeMap<String, String>>>,
    /// The pages of a multiplexed message that hold it.
    pub when: Option<At<WrittenPage>>,
    /// Whether the value is the fleet number of the vehicle that sends it.
    #[serde(default)]
    pub fleet_number: bool,
    /// One sentence.
    pub about: Option<String>,
}

/// Raw patterns, or the rule that gives them.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum WrittenPatterns {
    /// "j1939": SAE J1939-71's ranges.
    Rule(String),
    /// Raw values and ranges.
    List(Vec<WrittenPattern>),
}

/// A raw value, or the first and last of a range.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum WrittenPattern {
    /// One raw value, as an unsigned number.
    One(i64),
    /// First and last.
    Range(Vec<i64>),
}

/// When a signal of a multiplexed message is there.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenPage {
    /// The signal that selects.
    pub selector: At<String>,
    /// Its raw value, or several.
    pub is: At<OneOrMany<i64>>,
}

/// A value or a list of them.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum OneOrMany<T> {
    /// One.
    One(T),
    /// Several.
    Many(Vec<T>),
}

impl<T> OneOrMany<T> {
    /// All of them.
    pub fn as_slice(&self) -> &[T] {
        match self {
            Self::One(value) => std::slice::from_ref(value),
            Self::Many(values) => values,
        }
    }
}

/// A payload and what it says.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenExample {
    /// Bytes in hexadecimal.
    pub data: At<String>,
    /// Signals and their values: a number, a label, true or false, "unavailable" or "error".
    pub expect: BTreeMap<String, At<Scalar>>,
}

/// A value as people write it.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Scalar {
    /// Yes or no.
    Flag(bool),
    /// A whole number.
    Integer(i64),
    /// Any number.
    Number(f64),
    /// A label, "unavailable" or "error".
    Text(String),
}

/// A module on a bus.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenModule {
    /// The bus it is on.
    pub bus: At<String>,
    /// J1939 source address or CANopen node.
    pub source: At<i64>,
    /// What people call it.
    pub name: String,
}

/// What a run is.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenRun {
    /// The condition that is true while the vehicle is in use.
    #[serde(rename = "while")]
    pub while_: At<String>,
    /// So long not in use ends it.
    pub ends_after: Option<At<String>>,
    /// So long without any frame ends it.
    pub gap: Option<At<String>>,
    /// Shorter ones are dropped.
    pub shortest: Option<At<String>>,
    /// A speed or odometer signal.
    pub distance: Option<At<String>>,
    /// Latitude and longitude signals.
    pub position: Option<At<Vec<String>>>,
}

/// Something that is true for a while.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenCondition {
    /// Its name.
    pub name: At<String>,
    /// All of these terms.
    pub all: Option<Vec<At<WrittenTerm>>>,
    /// Any of these terms.
    pub any: Option<Vec<At<WrittenTerm>>>,
    /// True only once it has held so long.
    #[serde(rename = "for")]
    pub for_: Option<At<String>>,
    /// Stays true so long after it has ceased.
    pub lingers: Option<At<String>>,
    /// One sentence.
    pub about: Option<String>,
}

/// One term of a condition.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenTerm {
    /// message.signal
    pub signal: Option<At<String>>,
    /// Another condition.
    pub condition: Option<At<String>>,
    /// True above this value.
    pub above: Option<At<f64>>,
    /// No longer true below this one.
    pub back_below: Option<At<f64>>,
    /// True below this value.
    pub below: Option<At<f64>>,
    /// No longer true above this one.
    pub back_above: Option<At<f64>>,
    /// Equals one of these.
    pub is: Option<At<OneOrMany<Scalar>>>,
    /// Has a value, and none of these.
    pub is_not: Option<At<OneOrMany<Scalar>>>,
    /// Its frames arrive but hold no value.
    pub missing: Option<At<bool>>,
    /// True only once it has held so long.
    #[serde(rename = "for")]
    pub for_: Option<At<String>>,
    /// Stays true so long after it has ceased.
    pub lingers: Option<At<String>>,
}

/// Which part of an integral counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Both, signed.
    #[default]
    Both,
    /// What is above zero.
    Positive,
    /// What is below zero, given as a positive number.
    Negative,
}

/// Something counted over a run.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenCounter {
    /// Its column in the runs table.
    pub name: At<String>,
    /// Counts a condition's becoming true.
    pub count: Option<At<String>>,
    /// Growth of a module's own counter.
    pub growth: Option<At<String>>,
    /// Highest value held.
    pub peak: Option<At<String>>,
    /// Lowest value held.
    pub low: Option<At<String>>,
    /// Mean over time.
    pub mean: Option<At<String>>,
    /// Integral over time of a signal or a product of two.
    pub integral: Option<At<OneOrMany<String>>>,
    /// Seconds a condition is true.
    pub time: Option<At<String>>,
    /// Kilometres while a condition is true, or "run".
    pub distance: Option<At<String>>,
    /// Counts only while this condition is true.
    #[serde(rename = "while")]
    pub while_: Option<At<String>>,
    /// `count`: only after so long untrue.
    pub rearm: Option<At<String>>,
    /// `count`: not at such places.
    #[serde(default)]
    pub unless_within: Vec<At<WrittenNear>>,
    /// `count`: only at such places.
    #[serde(default)]
    pub within: Vec<At<WrittenNear>>,
    /// `growth`: most it can grow between two frames.
    pub step_max: Option<At<i64>>,
    /// `peak`, `low`: how long a value must be held.
    pub held: Option<At<String>>,
    /// `integral`: which part.
    pub side: Option<At<Side>>,
    /// `integral`: UCUM code of the result.
    pub unit: Option<At<String>>,
    /// `count`, `growth`: signals kept with each event.
    #[serde(default)]
    pub keep: Vec<At<String>>,
    /// Shown in the table of runs under this heading.
    pub heading: Option<At<String>>,
    /// One sentence.
    pub about: Option<String>,
}

/// Closeness to a kind of special work.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WrittenNear {
    /// The kind, as the overhead's GeoJSON names it.
    pub special_work: At<String>,
    /// How close.
    pub metres: At<f64>,
}
