//! A message as a picture: one line a byte, one cell a bit, a legend below.

use super::text::{heading, pattern, place, sentence, wrapped};
use crate::defs::payload::tidy;
use crate::defs::{Definitions, Form, Message, Signal, Special};

const INDENT: &str = "     ";

/// Draws message `index`: its bits as a grid, of a multiplexed message one a page, then a legend. Empty if there is no
/// such message.
///
/// A cell names its signal by letters; brackets mark its least significant bit.
pub fn grid(defs: &Definitions, index: usize) -> String {
    let Some(message) = defs.messages.get(index) else { return String::new() };
    let mut text = wrapped(&heading(defs, message), ", ", "", "  ");
    text += &sentence(&message.about, "");
    text += "\n[ ] marks the least significant bit of a signal, · is no signal's bit\n";
    let pages = pages(message);
    if pages.is_empty() {
        draw(message, |_| true, &mut text);
    }
    for page in &pages {
        let selector = &message.signals[page.selector];
        text.push('\n');
        let values = said_values(selector, &page.values);
        text += &wrapped(&values, ", ", &format!("page where {} is ", selector.name), INDENT);
        let is_there = |index: usize| message.signals[index].page.is_none() || page.signals.contains(&index);
        draw(message, is_there, &mut text);
    }
    text.push('\n');
    for (index, signal) in message.signals.iter().enumerate() {
        text += &legend(message, index, signal);
    }
    text
}

/// One value of the selector, or several that stand for the same signals.
struct Page {
    selector: usize,
    values: Vec<u64>,
    signals: Vec<usize>,
}

/// The pages of each selector by rising value; values with the same signals are one page.
fn pages(message: &Message) -> Vec<Page> {
    let mut selectors: Vec<usize> =
        message.signals.iter().filter_map(|s| s.page.as_ref()).map(|p| p.selector).collect();
    selectors.sort_unstable();
    selectors.dedup();
    let mut pages: Vec<Page> = Vec::new();
    for selector in selectors {
        let of_selector = || {
            let signals = message.signals.iter().enumerate();
            signals
                .filter_map(|(index, signal)| signal.page.as_ref().map(|page| (index, page)))
                .filter(move |(_, page)| page.selector == selector)
        };
        let mut values: Vec<u64> = of_selector().flat_map(|(_, page)| page.is.iter().copied()).collect();
        values.sort_unstable();
        values.dedup();
        for value in values {
            let signals: Vec<usize> =
                of_selector().filter(|(_, page)| page.is.contains(&value)).map(|(index, _)| index).collect();
            match pages.iter_mut().find(|page| page.selector == selector && page.signals == signals) {
                Some(page) => page.values.push(value),
                None => pages.push(Page { selector, values: vec![value], signals }),
            }
        }
    }
    pages
}

/// Values as numbers and ranges, or by their labels.
fn said_values(selector: &Signal, values: &[u64]) -> Vec<String> {
    let mut parts = Vec::new();
    let mut rest = values;
    while let [first, ..] = rest {
        let label = selector.label(*first);
        let follows = |(at, value): &(usize, &u64)| {
            first.checked_add(*at as u64) == Some(**value)
                && (*at == 0 || label.is_none() && selector.label(**value).is_none())
        };
        let run = rest.iter().enumerate().take_while(follows).count().max(1);
        parts.push(match (label, run) {
            (Some(label), _) => format!("{first} {label}"),
            (None, 1) => first.to_string(),
            (None, 2) => format!("{first}, {}", rest[1]),
            (None, _) => format!("{first} to {}", rest[run - 1]),
        });
        rest = &rest[run..];
    }
    parts
}

fn draw(message: &Message, is_there: impl Fn(usize) -> bool, text: &mut String) {
    let width = letters(message.signals.len().saturating_sub(1)).len();
    let bits = usize::from(message.length) * 8;
    let mut cells = vec![format!(" {:^width$} ", "·"); bits];
    for (index, signal) in message.signals.iter().enumerate().filter(|(index, _)| is_there(*index)) {
        for bit in 0..u32::from(signal.field.bits) {
            let Some(at) = bit_place(signal, bit) else { continue };
            let name = format!("{:^width$}", letters(index));
            if let Some(cell) = cells.get_mut(at) {
                *cell = if bit == 0 { format!("[{name}]") } else { format!(" {name} ") };
            }
        }
    }
    let heads: Vec<String> = (1..=8).rev().map(|bit| format!(" {bit:^width$} ")).collect();
    *text += &format!("\n byte  bit {}\n", heads.join("").trim_end());
    for (byte, cells) in cells.chunks(8).enumerate() {
        let line: String = cells.iter().rev().map(String::as_str).collect();
        *text += &format!(" {:>3}       {}\n", byte + 1, line.trim_end());
    }
}

/// Place of a signal's bit in the payload, counted from the first byte's lightest; `bit` counts from its own lightest.
fn bit_place(signal: &Signal, bit: u32) -> Option<usize> {
    let from_byte = usize::from(signal.field.lsb_bit) + bit as usize;
    let lsb_byte = usize::from(signal.field.lsb_byte);
    let byte = if signal.field.big { lsb_byte.checked_sub(from_byte / 8)? } else { lsb_byte + from_byte / 8 };
    Some(8 * byte + from_byte % 8)
}

/// a to z, then aa, ab and so on.
fn letters(index: usize) -> String {
    let letter = char::from(b'a' + (index % 26) as u8);
    match (index / 26).checked_sub(1) {
        None => letter.to_string(),
        Some(heavier) => format!("{}{letter}", letters(heavier)),
    }
}

fn legend(message: &Message, index: usize, signal: &Signal) -> String {
    let name = letters(index);
    let mut text = wrapped(&[signal.name.clone(), place(signal)], "  ", &format!(" {name:<2}  "), INDENT);
    let value = value_rule(signal);
    if !value.is_empty() {
        text += &wrapped(&value, ", ", INDENT, INDENT);
    }
    let labels: Vec<String> = signal.labels.iter().map(|(raw, label)| format!("{raw} {label}")).collect();
    if !labels.is_empty() {
        text += &wrapped(&labels, ", ", INDENT, INDENT);
    }
    let specials: Vec<String> = signal
        .specials
        .iter()
        .map(|range| {
            let why = match range.why {
                Special::Unavailable => "not available",
                Special::Error => "error",
                Special::Reserved => "reserved",
            };
            let from = pattern(signal, range.from);
            if range.from == range.to {
                format!("{from} {why}")
            } else {
                format!("{from}–{} {why}", pattern(signal, range.to))
            }
        })
        .collect();
    if !specials.is_empty() {
        text += &wrapped(&specials, ", ", &format!("{INDENT}raw "), INDENT);
    }
    if let Some(page) = &signal.page {
        let selector = &message.signals[page.selector];
        text += &wrapped(
            &said_values(selector, &page.is),
            ", ",
            &format!("{INDENT}only where {} is ", selector.name),
            INDENT,
        );
    }
    if signal.fleet_number {
        text += &format!("{INDENT}names the vehicle\n");
    }
    text += &sentence(&signal.about, INDENT);
    text
}

/// How a raw number becomes a value, and which values are believed.
fn value_rule(signal: &Signal) -> Vec<String> {
    let mut parts = Vec::new();
    let unit = if matches!(signal.unit.as_str(), "" | "1") { String::new() } else { format!(" {}", signal.unit) };
    let mut rule = String::from("raw");
    if signal.scale != 1.0 {
        rule += &format!(" × {}", tidy(signal.scale));
    }
    if signal.offset != 0.0 {
        rule += &format!(" {} {}", if signal.offset < 0.0 { '−' } else { '+' }, tidy(signal.offset.abs()));
    }
    let is_number = signal.form != Form::Flag && signal.labels.is_empty();
    if rule != "raw" || is_number && !unit.is_empty() {
        parts.push(format!("value = {rule}{unit}"));
    }
    if is_number && signal.form != Form::Float {
        let (low, high) = holdable(signal);
        parts.push(format!("holds {low} to {high}"));
    }
    if let Some((low, high)) = signal.plausible {
        parts.push(format!("plausible from {} to {}", tidy(low), tidy(high)));
    }
    parts
}

/// Lowest and highest value that the field can say, patterns that are no value left out at either end.
fn holdable(signal: &Signal) -> (String, String) {
    let (lowest, highest) = signal.raw_limits();
    let raw_of = |number: i128| number as u64 & signal.field.mask();
    let special = |number: i128| signal.specials.iter().find(|range| (range.from..=range.to).contains(&raw_of(number)));
    let (mut low, mut high) = (lowest, highest);
    // Each step leaves a range behind, so there are no more of them than ranges.
    for _ in 0..=signal.specials.len() {
        if let Some(range) = special(high) {
            high -= i128::from(raw_of(high) - range.from) + 1;
        }
        if let Some(range) = special(low) {
            low += i128::from(range.to - raw_of(low)) + 1;
        }
    }
    if low > high {
        return ("nothing".into(), "nothing".into());
    }
    let [a, b] = [low, high].map(|number| signal.physical(raw_of(number)));
    (tidy(a.min(b)), tidy(a.max(b)))
}
