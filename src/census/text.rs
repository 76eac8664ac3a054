//! A census for a terminal of 100 columns, without colour.

use std::fmt::Write;

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, Table, presets};

use super::{IDENTIFIERS_MAX, Identifier, Report, SignalCounts, Standing};
use crate::defs::payload::tidy;

/// Columns of the terminal.
const COLUMNS: u16 = 100;

/// Bytes drawn in a line: 8 cells and a blank each.
const BYTES_A_LINE: usize = 8;

impl Report {
    /// As text: unknown identifiers with their bits, then messages, other frames, and signals to doubt.
    pub fn text(&self) -> String {
        let of = |standing: Standing| self.identifiers.iter().filter(move |found| found.standing == standing);
        let unknown: Vec<_> = of(Standing::Unknown).collect();
        let unknown_frames: u64 = unknown.iter().map(|found| found.frames).sum();
        let mut text = format!(
            "{} in {}, {}\n",
            counted(self.frames, "frame"),
            duration(self.span_us),
            counted(self.identifiers.len() as u64, "identifier"),
        );
        if self.further_frames > 0 {
            text += &format!(
                "and {} of further identifiers: only the first {} are told apart\n",
                counted(self.further_frames, "frame"),
                grouped(IDENTIFIERS_MAX as u64)
            );
        }
        if unknown.is_empty() {
            text += "\nNo unknown identifiers\n";
        } else {
            let share = unknown_frames as f64 * 100.0 / self.frames.max(1) as f64;
            text += &format!(
                "\nUnknown: {}, {share:.1} % of the frames\nbits 8 to 1 of every byte: ▪ changed, · never did\n",
                counted(unknown.len() as u64, "identifier")
            );
            unknown.iter().for_each(|found| found.draw(&mut text));
        }
        self.draw_messages(&of(Standing::Defined).collect::<Vec<_>>(), &mut text);
        let others: Vec<_> = of(Standing::Remote).chain(of(Standing::Error)).collect();
        if !others.is_empty() {
            text += "\nRemote and error frames\n";
        }
        for found in others {
            let what = if found.standing == Standing::Remote { "remote" } else { "error class" };
            text += &format!(" {what} {} on {}: {}\n", found.id, found.place(), counted(found.frames, "frame"));
        }
        self.draw_doubts(&mut text);
        text
    }

    fn draw_messages(&self, defined: &[&Identifier], text: &mut String) {
        if defined.is_empty() {
            return;
        }
        let rows = defined.iter().map(|found| {
            vec![
                found.message.clone().unwrap_or_default(),
                format!("{} {}", found.id, found.place()),
                grouped(found.frames),
                found.period.map_or(String::new(), |period| brief(period.typical_us)),
                found.period.and_then(|period| period.expected_us).map_or(String::new(), brief),
                listed(&found.lengths),
                bit_ranges(&found.changed_bits_without_signal),
            ]
        });
        let headings = ["message", "identifier", "frames", "every", "expected", "bytes", "changing, no signal"];
        *text += "\nMessages\n";
        *text += &table(&headings, rows.collect(), &[2, 3, 4]);
    }

    fn draw_doubts(&self, text: &mut String) {
        let doubtful: Vec<&SignalCounts> = self.signals.iter().filter(|signal| signal.doubtful() > 0).collect();
        if doubtful.is_empty() {
            return;
        }
        let rows = doubtful.iter().map(|signal| {
            let counts = [
                (signal.implausible, "implausible"),
                (signal.unavailable, "not available"),
                (signal.error, "error"),
                (signal.reserved, "reserved pattern"),
                (signal.not_a_number, "not a number"),
            ];
            let doubts: Vec<String> = counts
                .iter()
                .filter(|(count, _)| *count > 0)
                .map(|(count, what)| format!("{} {what}", grouped(*count)))
                .collect();
            let unit = if signal.unit == "1" { "" } else { &signal.unit };
            let range = match (signal.lowest, signal.highest) {
                (Some(low), Some(high)) if low == high => format!("{} {unit}", short(low)),
                (Some(low), Some(high)) => format!("{} to {} {unit}", short(low), short(high)),
                _ => String::new(),
            };
            vec![signal.signal.clone(), grouped(signal.values), range.trim_end().to_owned(), doubts.join(", ")]
        });
        *text += "\nSignals with something to doubt\n";
        *text += &table(&["signal", "values", "from lowest to highest", "doubts"], rows.collect(), &[1]);
    }
}

impl Identifier {
    fn place(&self) -> String {
        self.bus.clone().unwrap_or_else(|| format!("channel {}", self.channel))
    }

    /// A heading line and the bits.
    fn draw(&self, text: &mut String) {
        let mut parts = vec![format!("{:<8} {}", self.id, self.place())];
        if let Some(j1939) = &self.j1939 {
            let module = j1939.module.as_deref().unwrap_or("unnamed module");
            parts.push(format!("PGN {} from {:02X} {module}", j1939.pgn, j1939.source));
        }
        let fd = if self.fd { "FD of " } else { "" };
        parts.push(format!("{}, {fd}{} bytes", counted(self.frames, "frame"), listed(&self.lengths)));
        if let Some(period) = self.period {
            parts.push(if period.shortest_us == period.longest_us {
                format!("every {}", brief(period.typical_us))
            } else {
                let (shortest, longest) = (brief(period.shortest_us), brief(period.longest_us));
                format!("every {} ({shortest} to {longest})", brief(period.typical_us))
            });
        }
        text.push('\n');
        let mut line = String::new();
        for (index, part) in parts.iter().enumerate() {
            let last = index + 1 == parts.len();
            let part = if last { part.clone() } else { format!("{part} · ") };
            if line.chars().count() + part.trim_end_matches([' ', '·']).chars().count() > usize::from(COLUMNS) {
                *text += line.trim_end_matches([' ', '·']);
                text.push('\n');
                line = " ".repeat(9);
            }
            line += &part;
        }
        *text += &line;
        text.push('\n');
        let lines = self.first_data.chunks(BYTES_A_LINE).zip(self.changed_bits.chunks(BYTES_A_LINE));
        for (index, (first, changed)) in lines.enumerate() {
            let number = index * BYTES_A_LINE + 1;
            let label = if self.first_data.len() > BYTES_A_LINE { format!("{number:>5}  ") } else { " ".repeat(7) };
            let cells: Vec<String> = changed.iter().map(|byte| cells(*byte)).collect();
            let bytes: Vec<String> =
                first.iter().map(|byte| format!("{byte:^8}", byte = format!("{byte:02X}"))).collect();
            *text += &format!("{label}  {}\n", cells.join(" "));
            *text += &format!("{}  {}\n", " ".repeat(7), bytes.join(" ").trim_end());
        }
    }
}

/// A byte's bits, 8 to 1.
fn cells(changed: u8) -> String {
    (0..8).rev().map(|bit| if changed >> bit & 1 == 1 { '▪' } else { '·' }).collect()
}

/// Set bits as byte.bit and ranges of it, counted as definitions count.
fn bit_ranges(mask: &[u8]) -> String {
    let is_set = |at: usize| mask.get(at / 8).is_some_and(|byte| byte >> (at % 8) & 1 == 1);
    let name = |at: usize| format!("{}.{}", at / 8 + 1, at % 8 + 1);
    let mut ranges = Vec::new();
    let mut at = 0;
    while at < mask.len() * 8 {
        let end = (at..).find(|at| !is_set(*at)).unwrap_or(at);
        match end - at {
            0 => {}
            1 => ranges.push(name(at)),
            _ => ranges.push(format!("{}–{}", name(at), name(end - 1))),
        }
        at = end + 1;
    }
    ranges.join(", ")
}

/// A plain table: columns as wide as they need, the last one broken between words.
fn table(headings: &[&str], rows: Vec<Vec<String>>, right: &[usize]) -> String {
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.force_no_tty().set_width(COLUMNS).set_header(headings);
    table.add_rows(rows);
    for index in 0..headings.len() {
        if let Some(column) = table.column_mut(index) {
            if right.contains(&index) {
                column.set_cell_alignment(CellAlignment::Right);
            }
            if index + 1 < headings.len() {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
        }
    }
    let mut text = String::new();
    for line in table.lines() {
        text += line.trim_end();
        text.push('\n');
    }
    text
}

/// A value to six significant digits.
fn short(value: f64) -> String {
    let rounded: f64 = format!("{value:.5e}").parse().unwrap_or(value);
    tidy(rounded)
}

/// Lengths as numbers and ranges.
fn listed(lengths: &[u8]) -> String {
    let mut text = String::new();
    let mut rest = lengths;
    while let [first, ..] = rest {
        let run = rest
            .iter()
            .enumerate()
            .take_while(|(at, length)| usize::from(**length) == usize::from(*first) + at)
            .count();
        let separator = if text.is_empty() { "" } else { ", " };
        // A `String` takes whatever is written.
        let written = match run {
            1 => write!(text, "{separator}{first}"),
            _ => write!(text, "{separator}{first}–{}", rest[run - 1]),
        };
        debug_assert!(written.is_ok());
        rest = &rest[run..];
    }
    text
}

fn counted(count: u64, what: &str) -> String {
    format!("{} {what}{}", grouped(count), if count == 1 { "" } else { "s" })
}

/// A number with its thousands apart.
fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// An interval to three significant digits or so.
fn brief(us: i64) -> String {
    match us {
        ..1_000 => format!("{us} µs"),
        1_000..9_995 => format!("{:.2} ms", us as f64 / 1e3),
        9_995..99_950 => format!("{:.1} ms", us as f64 / 1e3),
        99_950..999_500 => format!("{:.0} ms", us as f64 / 1e3),
        999_500..9_995_000 => format!("{:.2} s", us as f64 / 1e6),
        9_995_000..600_000_000 => format!("{:.1} s", us as f64 / 1e6),
        _ => format!("{:.0} min", us as f64 / 6e7),
    }
}

/// The time a capture spans.
fn duration(us: i64) -> String {
    let seconds = us / 1_000_000;
    match seconds {
        ..600 => brief(us),
        600..36_000 => format!("{} min", seconds / 60),
        36_000..360_000 => format!("{} h", seconds / 3_600),
        _ => format!("{} days", seconds / 86_400),
    }
}
