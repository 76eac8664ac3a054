//! The view on a screen of any size.

use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Paragraph, Wrap};

use super::view::{Typing, View};
use crate::board::{CAUTION, CAUTION_SHORT, Head, Row, State, clock};

/// Screens of fewer lines get the short caution, and no line of keys.
const LOW_LINES: u16 = 18;
/// Least width of each further column to be shown.
const WIDE_FOR_TIME: u16 = 56;
const WIDE_FOR_SEEN: u16 = 96;
const WIDE_FOR_CHANGES: u16 = 72;

pub(super) fn draw(frame: &mut Frame<'_>, view: &mut View) {
    let area = frame.area();
    let low = area.height < LOW_LINES;
    let caution = if low { CAUTION_SHORT } else { CAUTION };
    let caution_lines = lines_of(caution, usize::from(area.width)).min(6) as u16;
    let parts = Layout::vertical([
        Constraint::Length(1),
        Constraint::Length(caution_lines),
        Constraint::Length(1),
        Constraint::Length(1),
        Constraint::Min(1),
        Constraint::Length(1),
    ])
    .split(area);
    let bold = Style::new().add_modifier(Modifier::BOLD);
    frame.render_widget(Paragraph::new(heading(view)).style(bold), parts[0]);
    frame.render_widget(Paragraph::new(caution).wrap(Wrap { trim: true }), parts[1]);
    frame.render_widget(Paragraph::new(input(view, parts[2])), parts[2]);
    let columns = Columns::of(parts[4].width);
    frame.render_widget(
        Paragraph::new(columns.headings()).style(Style::new().add_modifier(Modifier::UNDERLINED)),
        parts[3],
    );
    table(frame, view, &columns, parts[4]);
    frame.render_widget(Paragraph::new(footer(view)), parts[5]);
}

/// Lines that a text takes where words do not break.
fn lines_of(text: &str, width: usize) -> usize {
    let mut lines = 1;
    let mut used = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > width {
            lines += 1;
            used = 0;
        }
        used += length + usize::from(used > 0);
    }
    lines
}

fn heading(view: &View) -> String {
    let Some(last) = &view.known.last else {
        let why = view.down.as_deref().unwrap_or("connecting");
        return format!("yardtap live  {}  {why}", view.place);
    };
    let vehicle = last.vehicle.as_deref().map_or("no vehicle heard yet".into(), |vehicle| format!("vehicle {vehicle}"));
    let mut text = format!("yardtap live  {}: {vehicle}  {}", last.tap, clock(last.now_us, last.utc_offset_s, false));
    text += &match &view.down {
        _ if !view.is_old() => String::new(),
        Some(why) => format!("  NO CONNECTION, THESE VALUES ARE OLD ({why})"),
        None => "  NO CONNECTION, THESE VALUES ARE OLD".into(),
    };
    if last.lost_frames > 0 {
        text += &format!("  {} frames missed here", last.lost_frames);
    }
    if last.rows_missing > 0 {
        text += "  more signals than can be shown";
    }
    text
}

/// Notice, note, filter or the last mark: what matters most.
fn input(view: &View, area: Rect) -> String {
    if let Some(notice) = &view.notice {
        return notice.clone();
    }
    // The end of a long text, where the typing is.
    let tail = |name: &str, text: &str| {
        let room = usize::from(area.width).saturating_sub(name.len() + 2);
        let skip = text.chars().count().saturating_sub(room);
        format!("{name} {}▏", text.chars().skip(skip).collect::<String>())
    };
    match view.typing {
        Typing::Note => tail("Note for the mark:", &view.note),
        Typing::Filter => tail("Filter:", &view.filter),
        Typing::Nothing => {
            let mut text = format!("Showing {}", view.show.words());
            if !view.filter.is_empty() {
                text += &format!(" with '{}'", view.filter);
            }
            if let Some((mark, last)) = view.known.last.as_ref().and_then(|last| Some((last.mark.as_ref()?, last))) {
                text += &format!("; since {} {}", clock(mark.time_us, last.utc_offset_s, false), mark.note);
            }
            text
        }
    }
}

fn footer(view: &View) -> String {
    let marked = view.known.marked();
    let shown = format!("{marked} changed, {} of {} shown", view.rows.len(), view.known.rows.len());
    let keys = match view.typing {
        Typing::Nothing => "/ filter  m mark  space seen  a all seen  Tab show  q leave",
        Typing::Filter => "Enter keep  Esc clear",
        Typing::Note => "Enter set the mark  Esc not",
    };
    format!("{shown} | {keys}")
}

/// Widths of the columns; 0: not shown.
struct Columns {
    name: usize,
    value: usize,
    time: usize,
    changes: usize,
    seen: usize,
}

impl Columns {
    fn of(width: u16) -> Self {
        let time = if width >= WIDE_FOR_TIME { 13 } else { 0 };
        let changes = if width >= WIDE_FOR_CHANGES { 8 } else { 0 };
        let seen = if width >= WIDE_FOR_SEEN { 24 } else { 0 };
        let rest = usize::from(width).saturating_sub(2 + time + changes + seen);
        let name = rest * 3 / 5;
        Self { name, value: rest - name, time, changes, seen }
    }

    fn headings(&self) -> String {
        let mut text = format!("  {}{}", fitted("Signal", self.name), fitted("Value now", self.value));
        if self.time > 0 {
            text += &fitted("Last change", self.time);
        }
        if self.changes > 0 {
            text += &fitted("Changes", self.changes);
        }
        if self.seen > 0 {
            text += &fitted("Lowest to highest", self.seen);
        }
        text
    }
}

/// A text in so many columns, the last of them empty; what does not fit is cut, and the cut is shown.
fn fitted(text: &str, width: usize) -> String {
    let room = width.saturating_sub(1);
    let length = text.chars().count();
    if length <= room {
        return format!("{text}{}", " ".repeat(width - length));
    }
    let cut: String = text.chars().take(room.saturating_sub(1)).collect();
    let mark = if room > 0 { "…" } else { "" };
    format!("{cut}{mark}{}", " ".repeat(width.min(1)))
}

fn table(frame: &mut Frame<'_>, view: &mut View, columns: &Columns, area: Rect) {
    let (chosen, colours) = (view.chosen, view.colours);
    let offset = view.known.last.as_ref().map_or(0, |last| last.utc_offset_s);
    let rows = view.on_screen(usize::from(area.height)).to_vec();
    let first = view.first;
    let lines: Vec<Line<'_>> = rows
        .iter()
        .enumerate()
        .map(|(at, row)| {
            let is_chosen = first + at == chosen;
            line(&view.known.heads[*row], &view.known.rows[*row], columns, offset, is_chosen, colours)
        })
        .collect();
    if lines.is_empty() {
        let text = if view.known.rows.is_empty() { "Nothing heard yet." } else { "No signal is so." };
        frame.render_widget(Paragraph::new(text), area);
    } else {
        frame.render_widget(Paragraph::new(lines), area);
    }
}

fn line<'a>(head: &Head, row: &Row, columns: &Columns, offset_s: i32, chosen: bool, colours: bool) -> Line<'a> {
    let mut value = row.said(head);
    if row.state == State::Implausible {
        value += " implausible";
    }
    // What is old comes first: a value that is cut off must not look fresh.
    if row.stale {
        value = format!("stale: {value}");
    }
    if let Some(marked) = &row.marked {
        value += &format!(" ({}×, was {})", marked.times, marked.was);
    }
    let mut style = Style::new();
    if row.stale || row.state == State::Unheard {
        style = style.add_modifier(Modifier::DIM);
    }
    if row.marked.is_some() {
        style = style.add_modifier(Modifier::REVERSED);
        if colours {
            style = style.fg(Color::Yellow);
        }
    } else if colours && !matches!(row.state, State::Value | State::Unheard) {
        style = style.fg(Color::LightRed);
    }
    let pointer = match (chosen, row.marked.is_some()) {
        (true, true) => "▶◆",
        (true, false) => "▶ ",
        (false, true) => " ◆",
        (false, false) => "  ",
    };
    // Of a long name the end matters: the signal.
    let name = head.source.map_or_else(|| head.path(), |source| format!("{} [{source:02X}]", head.path()));
    let mut rest = fitted(&value, columns.value);
    if columns.time > 0 {
        rest += &fitted(&clock(row.changed_us, offset_s, true), columns.time);
    }
    if columns.changes > 0 {
        let changes = if row.state == State::Unheard { String::new() } else { row.changes.to_string() };
        rest += &fitted(&changes, columns.changes);
    }
    if columns.seen > 0 {
        rest += &fitted(&row.seen_said(head), columns.seen);
    }
    let pointer_style = if chosen { Style::new().add_modifier(Modifier::BOLD) } else { Style::new() };
    Line::from(vec![
        Span::styled(pointer, pointer_style),
        Span::styled(fitted_end(&name, columns.name), style),
        Span::styled(rest, style),
    ])
}

/// As [`fitted`], but of a text that is too long the end is kept.
fn fitted_end(text: &str, width: usize) -> String {
    let room = width.saturating_sub(1);
    let length = text.chars().count();
    if length <= room {
        return fitted(text, width);
    }
    let end: String = text.chars().skip(length - room.saturating_sub(1).min(length)).collect();
    fitted(&if room > 0 { format!("…{end}") } else { String::new() }, width)
}
