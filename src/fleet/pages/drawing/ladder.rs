//! One row a thing: a mark on its interval.

use super::scale::{Scale, title, told};
use super::{Anchor, Dashes, Drawing, Form, Ink, WORDS, fitting, near, wide};
use crate::fleet::sheet::{Axis, Level, Rung};

/// From one row to the next.
const STEP: f64 = 20.0;
/// More rows are in the table behind the picture.
const ROWS_MAX: usize = 60;

pub(super) fn draw(axis: &Axis, rows: &[Rung], level: Option<&Level>, width: f64) -> Drawing {
    let mut out = Drawing::new(width);
    let drawable = |rung: &&Rung| [rung.low, rung.mid, rung.high].iter().all(|value| value.is_finite());
    let whole: Vec<&Rung> = rows.iter().filter(drawable).collect();
    let shown = &whole[..whole.len().min(ROWS_MAX)];
    let labels = shown.iter().map(|rung| wide(&rung.label, rung.strong)).fold(0.0, f64::max);
    let left = labels.min(width * 0.4) + 10.0;
    let level = level.filter(|level| level.at.is_finite());
    let values = shown.iter().flat_map(|rung| [rung.low, rung.mid, rung.high]).chain(level.map(|level| level.at));
    let Some(scale) = Scale::over(values, left, width - 10.0) else { return out };
    let scale = scale.with_zero_if_near().with_margin(0.03);

    out.words((left, WORDS), fitting(&title(axis), width - left, false), Anchor::Start, Ink::Quiet);
    let top = WORDS + 8.0 + if level.is_some() { WORDS + 10.0 } else { 0.0 };
    let bottom = top + STEP * shown.len() as f64;
    for tick in scale.ticks(axis, ((width - left) / 80.0) as usize) {
        let x = scale.place(tick.at);
        out.line(vec![(x, top), (x, bottom)], Ink::Rule, 1.0, Dashes::None);
        let half = wide(&tick.label, false) / 2.0;
        out.words((x.min(width - half), bottom + WORDS + 4.0), tick.label, Anchor::Middle, Ink::Quiet);
    }
    if let Some(level) = level {
        let x = scale.place(level.at);
        out.line(vec![(x, top - 4.0), (x, bottom)], Ink::Words, 1.2, Dashes::Long);
        let name = fitting(&level.name, width - left, false);
        let half = wide(&name, false) / 2.0;
        out.words(
            (x.clamp((left + half).min(width - half), width - half), top - 8.0),
            name,
            Anchor::Middle,
            Ink::Words,
        );
    }
    for (index, rung) in shown.iter().enumerate() {
        let y = top + STEP * (index as f64 + 0.5);
        let label = fitting(&rung.label, left - 10.0, rung.strong);
        out.words_of((left - 10.0, y + WORDS * 0.35), label, Anchor::End, Ink::Words, rung.strong);
        let (low, mid, high) = (near(rung.low), near(rung.mid), near(rung.high));
        let (Some(low), Some(mid), Some(high)) = (low, mid, high) else { continue };
        let (ink, thick, form) =
            if rung.strong { (Ink::Strong, 2.5, Form::Diamond) } else { (Ink::Main, 1.5, Form::Disc) };
        let (from, to) = (scale.place(low), scale.place(high));
        out.line(vec![(from, y), (to, y)], ink, thick, Dashes::None);
        for end in [from, to] {
            out.line(vec![(end, y - 3.5), (end, y + 3.5)], ink, thick, Dashes::None);
        }
        let about = format!("{}: {} ({} to {})", rung.label, told(axis, mid), told(axis, low), told(axis, high));
        out.sign((scale.place(mid), y), 9.0, form, ink, about);
    }
    out.height = bottom + WORDS + 10.0;
    if whole.len() > shown.len() {
        let text = format!("The first {} of {} are drawn; all are in the table.", shown.len(), whole.len());
        out.height += WORDS + 4.0;
        out.words((0.0, out.height - 6.0), text, Anchor::Start, Ink::Quiet);
    }
    out
}
