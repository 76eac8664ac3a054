//! Which files and columns there are. Reading, templates and their README go by this.

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Text,
    Day,
    Time,
    Number,
}

/// A column.
#[derive(Debug)]
pub(super) struct Column {
    pub(super) name: &'static str,
    /// Another name that is understood.
    pub(super) also: &'static str,
    pub(super) kind: Kind,
    /// Without it, or with an empty cell in it, a row says nothing.
    pub(super) needed: bool,
    pub(super) about: &'static str,
    pub(super) example: &'static str,
}

/// A file of rows.
#[derive(Debug)]
pub(super) struct Layout {
    pub(super) file: &'static str,
    pub(super) about: &'static str,
    pub(super) columns: &'static [Column],
}

const fn column(name: &'static str, kind: Kind, needed: bool, about: &'static str, example: &'static str) -> Column {
    Column { name, also: name, kind, needed, about, example }
}

const fn part(name: &'static str, about: &'static str, example: &'static str) -> Column {
    Column { name, also: "part", kind: Kind::Text, needed: true, about, example }
}

const VEHICLE: Column = column("vehicle", Kind::Text, true, "Fleet number.", "204");
const FITTED: Column = column("fitted", Kind::Day, true, "Day on which it was fitted.", "2024-05-14");
const REMOVED: Column =
    column("removed", Kind::Day, false, "Day on which it was removed; empty while it is in the vehicle.", "");
const REASON: Column = column("reason", Kind::Text, false, "Why it was removed, in your words.", "");
const BATCH: Column = column("batch", Kind::Text, false, "The supplier's batch.", "B-2024-03");
const SIDE: Column = column("side", Kind::Text, false, "`left` or `right`, in the direction of travel.", "left");

pub(super) const VEHICLES: Layout = Layout {
    file: "vehicles.csv",
    about: "The vehicles on the books, one row each.",
    columns: &[
        VEHICLE,
        column("kind", Kind::Text, false, "Kind, in your words; `limits.toml` may name kinds.", "articulated"),
        column("from", Kind::Day, false, "First day in service.", "2019-03-01"),
        column("to", Kind::Day, false, "Last day in service; empty while it is.", ""),
        column("yard", Kind::Text, false, "Where it is parked at night.", "South yard"),
    ],
};

pub(super) const PACKS: Layout = Layout {
    file: "packs.csv",
    about: "Off-wire battery packs, one row for each time that one was fitted.",
    columns: &[
        part("pack", "The pack's own number.", "P-118"),
        VEHICLE,
        column("side", Kind::Text, false, "Where in the vehicle, if it carries several; else leave it out.", ""),
        FITTED,
        REMOVED,
        REASON,
        BATCH,
    ],
};

pub(super) const HEADS: Layout = Layout {
    file: "heads.csv",
    about: "Collector heads, one row for each time that one was fitted.",
    columns: &[part("head", "The head's own number.", "H-031"), VEHICLE, SIDE, FITTED, REMOVED, REASON, BATCH],
};

pub(super) const INSERTS: Layout = Layout {
    file: "inserts.csv",
    about: "Carbon inserts, one row for each that was fitted.",
    columns: &[
        part("insert", "The insert's own number; a running number will do.", "C-2207"),
        VEHICLE,
        SIDE,
        column("head", Kind::Text, false, "Collector head that it sits in.", "H-031"),
        FITTED,
        REMOVED,
        column("thickness_fitted_mm", Kind::Number, false, "Thickness when fitted. Unit: mm.", "22.0"),
        column("thickness_removed_mm", Kind::Number, false, "Thickness when removed. Unit: mm.", ""),
        REASON,
        BATCH,
    ],
};

pub(super) const READINGS: Layout = Layout {
    file: "readings.csv",
    about: "Values measured by hand at inspections, one row each.",
    columns: &[
        column("day", Kind::Day, true, "Day on which it was measured.", "2026-02-10"),
        VEHICLE,
        column("channel", Kind::Text, true, "Which channel, as `limits.toml` names it.", "link-3"),
        column("value", Kind::Number, true, "The value.", "118.5"),
        column(
            "unit",
            Kind::Text,
            false,
            "Its unit, where it is not the channel's: `mW` for a channel in `uW`, or `dBm`.",
            "uW",
        ),
        column("note", Kind::Text, false, "What was seen besides.", "connector cleaned before"),
    ],
};

pub(super) const DUTIES: Layout = Layout {
    file: "duties.csv",
    about: "Who drove what where. Only pseudonyms of operators belong here; the column may be left out.",
    columns: &[
        VEHICLE,
        column("from", Kind::Time, true, "Start: day and time on the agency's clocks.", "2026-02-10 05:42"),
        column("to", Kind::Time, true, "End, likewise.", "2026-02-10 13:10"),
        column("operator", Kind::Text, false, "Pseudonym; never a name.", "op-17"),
        column("line", Kind::Text, false, "Line.", "4"),
    ],
};

pub(super) const LAYOUTS: [&Layout; 6] = [&VEHICLES, &PACKS, &HEADS, &INSERTS, &READINGS, &DUTIES];

/// A heading as it is compared: `Thickness fitted (mm)` is `thickness_fitted_mm`.
pub(super) fn plain_heading(text: &str) -> String {
    let mut plain = String::new();
    for letter in text.trim_matches(|c: char| c.is_whitespace() || c == '\u{FEFF}').chars().flat_map(char::to_lowercase)
    {
        match letter {
            '(' | ')' | '[' | ']' | '"' => {}
            letter if letter.is_alphanumeric() => plain.push(letter),
            _ if plain.ends_with('_') => {}
            _ => plain.push('_'),
        }
    }
    plain.trim_matches('_').to_owned()
}

/// A column's letter in a spreadsheet: 0 is A, 26 is AA.
pub(super) fn letter(index: usize) -> String {
    let mut letters = Vec::new();
    let mut rest = index + 1;
    while rest > 0 {
        rest -= 1;
        letters.push(b'A' + (rest % 26) as u8);
        rest /= 26;
    }
    letters.iter().rev().map(|letter| char::from(*letter)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings_are_compared_without_their_dress() {
        for text in
            ["thickness_fitted_mm", " Thickness Fitted (mm) ", "THICKNESS-FITTED mm", "\u{FEFF}thickness  fitted [mm]"]
        {
            assert_eq!(plain_heading(text), "thickness_fitted_mm", "{text}");
        }
        assert_eq!(plain_heading("  "), "");
    }

    #[test]
    fn columns_have_the_spreadsheet_s_letters() {
        assert_eq!([0, 25, 26, 27, 701, 702].map(letter), ["A", "Z", "AA", "AB", "ZZ", "AAA"]);
    }
}
