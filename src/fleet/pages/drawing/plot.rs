//! Values over time, or over another quantity.

use std::collections::HashSet;

use super::key::{self, Sample};
use super::scale::{Scale, title, told};
use super::{Anchor, Dashes, Drawing, Form, Ink, PARTS, Point, Tint, WORDS, fitting, wide};
use crate::fleet::sheet::{Axis, Level, Mark, Trace};

/// So many dots say at a touch what they are; more would only make the page heavy.
const TOLD_MAX: usize = 400;

pub(super) fn draw(x: &Axis, y: &Axis, traces: &[Trace], levels: &[Level], width: f64) -> Drawing {
    let mut out = Drawing::new(width);
    let levels: Vec<&Level> = levels.iter().filter(|level| level.at.is_finite()).collect();
    let points = || traces.iter().flat_map(|trace| trace.points.iter().copied().filter(|point| is_whole(*point)));
    let upper = traces.iter().filter(|trace| trace.mark == Mark::Band).flat_map(|trace| trace.upper.iter().copied());
    let over_y = points().map(|point| point.1).chain(upper).chain(levels.iter().map(|level| level.at));
    let height = if width < 400.0 { width * 0.62 } else { width * 0.42 };
    let (Some(across), Some(upwards)) =
        (Scale::over(points().map(|point| point.0), 0.0, 1.0), Scale::over(over_y, 1.0, 0.0))
    else {
        return out;
    };
    let (across, upwards) = (across.with_margin(0.02), upwards.with_zero_if_near().with_margin(0.05));

    let styles = styles(traces);
    let samples = traces.iter().zip(&styles).filter(|(trace, _)| !trace.name.is_empty());
    let samples: Vec<_> = samples.map(|(trace, style)| (style.sample(trace.mark), trace.name.clone())).collect();
    let top = if samples.is_empty() { 0.0 } else { key::draw(&mut out, samples, 0.0, width, 0.0) + 4.0 };
    out.words((0.0, top + WORDS), fitting(&title(y), width, false), Anchor::Start, Ink::Quiet);
    let top = top + WORDS + 10.0;
    let bottom = top + height;
    let marks = upwards.ticks(y, (height / 40.0) as usize);
    let left = marks.iter().map(|tick| wide(&tick.label, false)).fold(0.0, f64::max) + 8.0;
    let place = |point: Point| {
        (left + across.place(point.0) * (width - left - 8.0), top + upwards.place(point.1) * (bottom - top))
    };
    for tick in &marks {
        let level = top + upwards.place(tick.at) * (bottom - top);
        out.line(vec![(left, level), (width, level)], Ink::Rule, 1.0, Dashes::None);
        out.words((left - 6.0, level + WORDS * 0.35), tick.label.clone(), Anchor::End, Ink::Quiet);
    }
    for tick in across.ticks(x, ((width - left) / 70.0) as usize) {
        let at = place((tick.at, 0.0)).0;
        out.line(vec![(at, bottom), (at, bottom + 4.0)], Ink::Quiet, 1.0, Dashes::None);
        let half = wide(&tick.label, false) / 2.0;
        out.words((at.min(width - half), bottom + WORDS + 6.0), tick.label, Anchor::Middle, Ink::Quiet);
    }
    out.line(vec![(left, bottom), (width, bottom)], Ink::Quiet, 1.0, Dashes::None);
    out.height = bottom + WORDS + 12.0;
    let name = title(x);
    if !name.is_empty() && !x.days {
        out.words((width, out.height + WORDS - 4.0), fitting(&name, width, false), Anchor::End, Ink::Quiet);
        out.height += WORDS + 4.0;
    }
    // Bands lie below all else.
    for band in [true, false] {
        for (trace, style) in traces.iter().zip(&styles).filter(|(trace, _)| (trace.mark == Mark::Band) == band) {
            let told = |point: Point| format!("{}: {}, {}", trace.name, told(x, point.0), told(y, point.1));
            style.draw(&mut out, trace, place, told);
        }
    }
    for level in levels {
        let at = place((0.0, level.at)).1;
        out.line(vec![(left, at), (width, at)], Ink::Words, 1.2, Dashes::Long);
        let name = fitting(&level.name, width - left - 8.0, false);
        let baseline = if at < top + WORDS + 4.0 { at + WORDS + 2.0 } else { at - 4.0 };
        // At the end where it hides less.
        let room = wide(&name, false) + 8.0;
        let hidden = |from: f64| {
            let within =
                |(x, y): &Point| (from..from + room).contains(x) && (baseline - WORDS..baseline + 3.0).contains(y);
            points().map(place).filter(within).count()
        };
        let (right, begin) = (hidden(width - room), hidden(left));
        if begin < right {
            out.words((left + 4.0, baseline), name, Anchor::Start, Ink::Words);
        } else {
            out.words((width - 4.0, baseline), name, Anchor::End, Ink::Words);
        }
    }
    out
}

fn is_whole((x, y): Point) -> bool {
    x.is_finite() && y.is_finite()
}

/// How a trace is told from the others of its kind.
struct Style {
    ink: Ink,
    dashes: Dashes,
    form: Form,
}

/// Colours and signs: the first of a kind has the usual ones, the next have others.
fn styles(traces: &[Trace]) -> Vec<Style> {
    let before = |index: usize, mark: Mark| traces[..index].iter().filter(|trace| trace.mark == mark).count();
    let style = |(index, trace): (usize, &Trace)| {
        let nth = before(index, trace.mark);
        let other = |first: Ink| if nth == 0 { first } else { Ink::Part(nth % PARTS) };
        match trace.mark {
            Mark::Line => Style {
                ink: other(Ink::Main),
                dashes: [Dashes::None, Dashes::Mixed, Dashes::Dots][nth % 3],
                form: Form::Disc,
            },
            Mark::Expected => Style { ink: other(Ink::Quiet), dashes: Dashes::Long, form: Form::Disc },
            Mark::Dots => Style {
                ink: other(Ink::Main),
                dashes: Dashes::None,
                form: [Form::Ring, Form::Triangle, Form::Cross][nth % 3],
            },
            Mark::StrongDots => Style {
                ink: other(Ink::Strong),
                dashes: Dashes::None,
                form: [Form::Diamond, Form::Square, Form::Disc][nth % 3],
            },
            Mark::Band => Style { ink: other(Ink::Main), dashes: Dashes::None, form: Form::Disc },
        }
    };
    traces.iter().enumerate().map(style).collect()
}

impl Style {
    fn sample(&self, mark: Mark) -> Sample {
        match mark {
            Mark::Line => Sample::Line(self.ink, 2.0, self.dashes),
            Mark::Expected => Sample::Line(self.ink, 1.5, self.dashes),
            Mark::Dots | Mark::StrongDots => Sample::Sign(self.form, self.ink),
            Mark::Band => Sample::Band(self.ink),
        }
    }

    fn draw(&self, out: &mut Drawing, trace: &Trace, place: impl Fn(Point) -> Point, told: impl Fn(Point) -> String) {
        match trace.mark {
            Mark::Line | Mark::Expected => {
                let thick = if trace.mark == Mark::Line { 2.0 } else { 1.5 };
                // Where a value is missing, the line is broken.
                for piece in trace.points.split(|point| !is_whole(*point)) {
                    let piece = thinned(piece.iter().map(|point| place(*point)).collect());
                    if let [alone] = piece[..] {
                        out.sign(alone, 4.0, Form::Disc, self.ink, String::new());
                    }
                    out.line(piece, self.ink, thick, self.dashes);
                }
            }
            Mark::Dots | Mark::StrongDots => {
                let size = if trace.mark == Mark::Dots { 6.0 } else { 9.0 };
                // Dots in one place are drawn once.
                let mut drawn = HashSet::new();
                for point in trace.points.iter().copied().filter(|point| is_whole(*point)) {
                    let at = place(point);
                    if drawn.insert(((at.0 * 2.0).round() as i64, (at.1 * 2.0).round() as i64)) {
                        let about = if drawn.len() <= TOLD_MAX { told(point) } else { String::new() };
                        out.sign(at, size, self.form, self.ink, about);
                    }
                }
            }
            Mark::Band => {
                let edges = trace.points.iter().zip(&trace.upper);
                let edges = edges.filter(|(low, high)| is_whole(**low) && high.is_finite());
                let (low, high): (Vec<Point>, Vec<Point>) =
                    edges.map(|(low, high)| (place(*low), place((low.0, *high)))).unzip();
                let (low, high) = (thinned(low), thinned(high));
                out.line(low.clone(), self.ink, 0.75, Dashes::None);
                out.line(high.clone(), self.ink, 0.75, Dashes::None);
                out.area(low.into_iter().chain(high.into_iter().rev()).collect(), self.ink, Tint::Light, String::new());
            }
        }
    }
}

/// Of points in one column of the sheet, the outermost, the first and the last: the line looks the same.
fn thinned(points: Vec<Point>) -> Vec<Point> {
    if points.len() < 1000 {
        return points;
    }
    let mut out: Vec<Point> = Vec::new();
    for column in points.chunk_by(|a, b| (a.0 * 2.0).floor() == (b.0 * 2.0).floor()) {
        let by_height = |a: &&Point, b: &&Point| a.1.total_cmp(&b.1);
        let ends = [column.first(), column.iter().min_by(by_height), column.iter().max_by(by_height), column.last()];
        for point in ends.into_iter().flatten() {
            if out.last() != Some(point) {
                out.push(*point);
            }
        }
    }
    out
}
