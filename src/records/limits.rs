//! `limits.toml` → channels. Pure.
//!
//! A key that is wrong is told and left out, and so is a channel without a name or with an unknown unit.

use std::ops::Range;

use serde::Serialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::Channel;
use super::columns::plain_heading;
use super::problem::{Book, Place, Spot, Wrong, shown};
use super::text::line_of;
use super::unit;

pub(super) const FILE: &str = "limits.toml";
/// Keys of a channel.
const KEYS: &str = "name, about, unit, decibels, worse, new, suspect, recheck, marginal, every_days, kinds";
/// Longest time from one reading to the next.
const EVERY_DAYS_MAX: i64 = 3660;

type Value<'a> = Spanned<DeValue<'a>>;

struct Reader<'a> {
    text: &'a str,
    book: &'a mut Book,
}

/// Reads the text.
pub(super) fn channels(text: &str, book: &mut Book) -> Vec<Channel> {
    let (table, errors) = DeTable::parse_recoverable(text);
    let mut reader = Reader { text, book };
    for error in &errors {
        let remedy =
            "the file is TOML: `key = value` lines below a [[channel]] line for each channel, texts in quotation marks";
        reader.left_out(error.span().unwrap_or(0..0), "", error.message().trim().to_owned(), remedy);
    }
    if !errors.is_empty() {
        // What was meant cannot be told.
        return Vec::new();
    }
    let mut channels: Vec<Channel> = Vec::new();
    for (key, value) in table.get_ref() {
        if key.get_ref() != "channel" {
            let what = format!("`{}` is not known", shown(key.get_ref()));
            reader.left_out(key.span(), key.get_ref(), what, "the file has [[channel]] tables, and nothing else");
            continue;
        }
        let Some(tables) = value.get_ref().as_array() else {
            reader.left_out(
                value.span(),
                "channel",
                "`channel` is no list".into(),
                "write [[channel]], with two brackets",
            );
            continue;
        };
        for entry in tables.iter() {
            let Some(table) = entry.get_ref().as_table() else {
                reader.left_out(
                    entry.span(),
                    "channel",
                    "this is no channel".into(),
                    "write [[channel]] above its keys",
                );
                continue;
            };
            let Some(channel) = reader.channel(entry.span(), table) else { continue };
            if channels.iter().any(|other| plain_heading(&other.name) == plain_heading(&channel.name)) {
                let what = format!("two channels are named '{}'", shown(&channel.name));
                reader.left_out(entry.span(), "name", what, "the first is used; give the other a name of its own");
                continue;
            }
            channels.push(channel);
        }
    }
    channels
}

impl Reader<'_> {
    fn spot(&self, span: &Range<usize>, column: &str) -> Spot {
        let text = self.text.get(span.clone()).unwrap_or_default();
        Spot::new(FILE, Place::Line(line_of(self.text.as_bytes(), span.start))).column(column, text)
    }

    fn left_out(&mut self, span: Range<usize>, column: &str, what: String, remedy: &str) {
        let spot = self.spot(&span, column);
        self.book.left_out(spot, Wrong::new("limits", what, remedy));
    }

    fn channel(&mut self, span: Range<usize>, table: &DeTable<'_>) -> Option<Channel> {
        let mut channel = Channel { falls: true, ..Channel::default() };
        let mut worse = None;
        let mut unit_span = None;
        for (key, value) in table {
            let name: &str = key.get_ref();
            match name {
                "name" => channel.name = self.text(name, value).unwrap_or_default().trim().to_owned(),
                "about" => channel.about = self.text(name, value).unwrap_or_default(),
                "unit" => {
                    channel.unit = self.text(name, value).unwrap_or_default();
                    unit_span = Some(value.span());
                }
                "decibels" => match value.get_ref().as_bool() {
                    Some(decibels) => channel.decibels = decibels,
                    None => self.left_out(
                        value.span(),
                        name,
                        "this is neither true nor false".into(),
                        "`decibels = true` where it is a power whose drift is reckoned in dB",
                    ),
                },
                "worse" => match value.get_ref().as_str() {
                    Some("lower") => worse = Some(true),
                    Some("higher") => worse = Some(false),
                    _ => self.left_out(
                        value.span(),
                        name,
                        "this is neither \"lower\" nor \"higher\"".into(),
                        "`worse = \"lower\"` where a low value is the bad one",
                    ),
                },
                "new" => channel.new = self.number(name, value),
                "suspect" => channel.suspect = self.number(name, value),
                "recheck" => channel.recheck = self.number(name, value),
                "marginal" => channel.marginal = self.number(name, value),
                "every_days" => channel.every_days = self.days(name, value),
                "kinds" => channel.kinds = self.texts(name, value),
                _ => {
                    let what = format!("`{}` is no key of a channel", shown(name));
                    self.left_out(key.span(), name, what, &format!("one of {KEYS}"));
                }
            }
        }
        if channel.name.is_empty() {
            self.left_out(
                span,
                "name",
                "a channel has no name".into(),
                "`name = \"link-3\"`, as readings.csv has it; its readings are left out else",
            );
            return None;
        }
        let Some(unit_span) = unit_span else {
            let what = format!("channel '{}' has no unit", shown(&channel.name));
            self.left_out(span, "unit", what, "`unit = \"uW\"`, a UCUM code; \"1\" for a bare number");
            return None;
        };
        if let Err(why) = unit::parse(&channel.unit) {
            let what = format!("'{}' is no unit: {why}", shown(&channel.unit));
            self.left_out(unit_span, "unit", what, "a UCUM code such as uW, kOhm, mm, V; \"1\" for a bare number");
            return None;
        }
        channel.falls = self.falls(&span, &channel, worse);
        self.look_at_limits(&span, &mut channel);
        Some(channel)
    }

    fn text(&mut self, key: &str, value: &Value<'_>) -> Option<String> {
        let text = value.get_ref().as_str().map(str::to_owned);
        if text.is_none() {
            self.left_out(value.span(), key, format!("`{key}` is no text"), "put it in quotation marks");
        }
        text
    }

    fn texts(&mut self, key: &str, value: &Value<'_>) -> Vec<String> {
        let items = value.get_ref().as_array();
        let texts: Option<Vec<String>> = items.and_then(|items| {
            items.iter().map(|item| item.get_ref().as_str().map(|text| text.trim().to_owned())).collect()
        });
        texts.unwrap_or_else(|| {
            self.left_out(
                value.span(),
                key,
                format!("`{key}` is no list of texts"),
                "`kinds = [\"articulated\"]`, as vehicles.csv has them",
            );
            Vec::new()
        })
    }

    fn number(&mut self, key: &str, value: &Value<'_>) -> Option<f64> {
        let read = match value.get_ref() {
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok(),
            DeValue::Float(number) => number.as_str().parse().ok(),
            _ => None,
        };
        let read = read.filter(|number: &f64| number.is_finite());
        if read.is_none() {
            self.left_out(
                value.span(),
                key,
                format!("`{key}` is no number"),
                "write it in the channel's unit, with a decimal point and without quotation marks: 62.5",
            );
        }
        read
    }

    fn days(&mut self, key: &str, value: &Value<'_>) -> Option<u32> {
        let number = value.get_ref().as_integer().and_then(|number| number.as_str().parse::<i64>().ok());
        let days = number.filter(|days| (1..=EVERY_DAYS_MAX).contains(days)).and_then(|days| u32::try_from(days).ok());
        if days.is_none() {
            let what = format!("`{key}` is no number of days from 1 to {EVERY_DAYS_MAX}");
            self.left_out(value.span(), key, what, "`every_days = 180`; leave it out where nothing is due");
        }
        days
    }

    /// Whether lower is worse, as it is written, or by the order of the limits.
    fn falls(&mut self, span: &Range<usize>, channel: &Channel, worse: Option<bool>) -> bool {
        if let Some(falls) = worse {
            return falls;
        }
        let limits = limits(channel);
        match (limits.first(), limits.last()) {
            (Some(first), Some(last)) if first.1 > last.1 => true,
            (Some(first), Some(last)) if first.1 < last.1 => false,
            _ if channel.decibels => true,
            _ => {
                let what = format!(
                    "nothing tells whether channel '{}' is worse when it is lower or higher",
                    shown(&channel.name)
                );
                let spot = self.spot(span, "worse");
                let remedy = "`worse = \"lower\"` or `worse = \"higher\"`; lower is taken";
                self.book.warn(spot, Wrong::new("worse", what, remedy));
                true
            }
        }
    }

    fn look_at_limits(&mut self, span: &Range<usize>, channel: &mut Channel) {
        let name = shown(&channel.name);
        let towards = if channel.falls { "fall" } else { "rise" };
        let list = limits(channel);
        for pair in list.windows(2) {
            let wrong = if channel.falls { pair[0].1 < pair[1].1 } else { pair[0].1 > pair[1].1 };
            if wrong {
                let what = format!(
                    "the limits of channel '{name}' do not {towards}: {} is {}, and {} is {}",
                    pair[0].0, pair[0].1, pair[1].0, pair[1].1
                );
                self.left_out(span.clone(), pair[1].0, what, &format!("new, suspect, recheck, marginal {towards} in this order, as `worse` says; the limits are left out"));
                (channel.new, channel.suspect, channel.recheck, channel.marginal) = (None, None, None, None);
                return;
            }
        }
        if channel.decibels {
            let watt = unit::parse("W").ok();
            let power =
                watt.zip(unit::parse(&channel.unit).ok()).is_some_and(|(watt, own)| watt.factor_from(&own).is_some());
            let above_zero = list.iter().all(|(_, limit)| *limit > 0.0);
            if !power || !above_zero {
                let what = format!(
                    "channel '{name}' cannot be reckoned in dB: its unit is no power, or a limit is not above zero"
                );
                self.left_out(
                    span.clone(),
                    "decibels",
                    what,
                    "`decibels = true` is for powers, in uW or mW; it is taken as false",
                );
                channel.decibels = false;
            }
        }
    }
}

/// The limits that there are, from new to marginal.
fn limits(channel: &Channel) -> Vec<(&'static str, f64)> {
    let all = [
        ("new", channel.new),
        ("suspect", channel.suspect),
        ("recheck", channel.recheck),
        ("marginal", channel.marginal),
    ];
    all.into_iter().filter_map(|(name, limit)| Some((name, limit?))).collect()
}

/// A channel as it is written.
#[derive(Serialize)]
struct Written<'a> {
    name: &'a str,
    #[serde(skip_serializing_if = "str::is_empty")]
    about: &'a str,
    unit: &'a str,
    decibels: bool,
    worse: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    new: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    suspect: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    recheck: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    marginal: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    every_days: Option<u32>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    kinds: &'a [String],
}

/// The channels as `limits.toml`.
///
/// # Errors
/// A value that TOML cannot hold.
pub(super) fn written(channels: &[Channel]) -> Result<String, toml::ser::Error> {
    #[derive(Serialize)]
    struct File<'a> {
        channel: Vec<Written<'a>>,
    }
    let channel = channels.iter().map(|channel| Written {
        name: &channel.name,
        about: &channel.about,
        unit: &channel.unit,
        decibels: channel.decibels,
        worse: if channel.falls { "lower" } else { "higher" },
        new: channel.new,
        suspect: channel.suspect,
        recheck: channel.recheck,
        marginal: channel.marginal,
        every_days: channel.every_days,
        kinds: &channel.kinds,
    });
    toml::to_string(&File { channel: channel.collect() })
}
