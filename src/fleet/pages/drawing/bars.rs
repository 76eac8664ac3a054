//! Stacked bars, one row a thing. Each part has its colour and its hatching.

use super::key::{self, Sample};
use super::scale::{Scale, title, told};
use super::{Anchor, Dashes, Drawing, Ink, PARTS, Point, Tint, WORDS, fitting, near, wide};
use crate::fleet::sheet::Axis;

/// From one row to the next.
const STEP: f64 = 24.0;
/// Height of a bar.
const BAR: f64 = 15.0;
/// More rows are in the table behind the picture.
const ROWS_MAX: usize = 40;

pub(super) fn draw(axis: &Axis, parts: &[String], rows: &[(String, Vec<f64>)], width: f64) -> Drawing {
    let mut out = Drawing::new(width);
    let shown = &rows[..rows.len().min(ROWS_MAX)];
    let left = shown.iter().map(|(label, _)| wide(label, false)).fold(0.0, f64::max).min(width * 0.4) + 10.0;
    let reach = |sign: f64| {
        move |(_, values): &(String, Vec<f64>)| {
            values.iter().filter_map(|value| near(*value)).map(|value| (value * sign).max(0.0)).sum::<f64>() * sign
        }
    };
    if parts.is_empty() || shown.is_empty() {
        return out;
    }
    let ends = shown.iter().flat_map(|row| [reach(1.0)(row), reach(-1.0)(row)]);
    let Some(scale) = Scale::over(ends.chain([0.0]), left, width - 10.0) else { return out };
    let scale = scale.with_margin(0.03);
    let samples = parts.iter().enumerate().map(|(part, name)| (Sample::Part(part), name.clone())).collect();
    let top = key::draw(&mut out, samples, 0.0, width, 0.0) + 4.0;
    out.words((left, top + WORDS), fitting(&title(axis), width - left, false), Anchor::Start, Ink::Quiet);
    let top = top + WORDS + 6.0;
    let bottom = top + STEP * shown.len() as f64;
    for tick in scale.ticks(axis, ((width - left) / 70.0) as usize) {
        let x = scale.place(tick.at);
        let ink = if tick.at == 0.0 { Ink::Quiet } else { Ink::Rule };
        out.line(vec![(x, top), (x, bottom)], ink, 1.0, Dashes::None);
        let half = wide(&tick.label, false) / 2.0;
        out.words((x.min(width - half), bottom + WORDS + 4.0), tick.label, Anchor::Middle, Ink::Quiet);
    }
    for (index, (label, values)) in shown.iter().enumerate() {
        let y = top + STEP * (index as f64 + 0.5);
        let text = fitting(label, left - 10.0, false);
        out.words((left - 10.0, y + WORDS * 0.35), text, Anchor::End, Ink::Words);
        let (mut right, mut under) = (0.0, 0.0);
        for (part, (name, value)) in parts.iter().zip(values).enumerate() {
            let Some(value) = near(*value).filter(|value| *value != 0.0) else { continue };
            let end = if value > 0.0 { &mut right } else { &mut under };
            let (from, to) = (scale.place(*end), scale.place(*end + value));
            *end += value;
            let about = format!("{label}, {name}: {}", told(axis, value));
            hatched(&mut out, part, (from.min(to), y - BAR / 2.0), ((to - from).abs(), BAR), about);
        }
    }
    out.height = bottom + WORDS + 10.0;
    if rows.len() > shown.len() {
        let text = format!("The first {} of {} are drawn; all are in the table.", shown.len(), rows.len());
        out.height += WORDS + 4.0;
        out.words((0.0, out.height - 6.0), text, Anchor::Start, Ink::Quiet);
    }
    out
}

/// A box with the colour and hatching of a part.
pub(super) fn hatched(out: &mut Drawing, part: usize, (x, y): Point, (width, height): (f64, f64), about: String) {
    let ink = Ink::Part(part % PARTS);
    let corners = vec![(x, y), (x + width, y), (x + width, y + height), (x, y + height)];
    // Four hatchings and six colours come together again after twelve parts.
    let hatching = part % 4;
    out.area(corners.clone(), ink, if hatching == 0 { Tint::Full } else { Tint::Light }, about);
    let step = 5.0;
    let mut at = step / 2.0;
    match hatching {
        1 => {
            // From the upper edge down to the left, cut at the box.
            while at < width + height {
                let (from, to) = (at.min(width), (at - height).max(0.0));
                out.line(vec![(x + from, y + at - from), (x + to, y + at - to)], ink, 1.2, Dashes::None);
                at += step + 1.0;
            }
        }
        2 => {
            while at < width {
                out.line(vec![(x + at, y), (x + at, y + height)], ink, 1.2, Dashes::None);
                at += step;
            }
        }
        3 => {
            while at < height {
                out.line(vec![(x, y + at), (x + width, y + at)], ink, 1.2, Dashes::None);
                at += step;
            }
        }
        _ => {}
    }
    let mut around = corners;
    around.push((x, y));
    out.line(around, ink, 1.0, Dashes::None);
}
