//! Pictures as shapes: lines, areas, signs and words on a sheet of a given width, y downwards.
//!
//! What a picture draws in, shapes out; `svg` and `pdf` write the same shapes. No number in a shape is infinite or not
//! a number, whatever the data: [`Drawing`] lets none in.

mod bars;
mod key;
mod ladder;
mod map;
mod plot;
mod scale;

use super::super::sheet::Drawn;
use super::letters::width_of;

/// Shapes, in the order in which they are painted.
#[derive(Debug, Clone, Default)]
pub(super) struct Drawing {
    /// Width. Unit: CSS pixel; in a PDF, point.
    pub width: f64,
    /// Height, likewise.
    pub height: f64,
    /// What is painted.
    pub shapes: Vec<Shape>,
}

/// One thing that is painted.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Shape {
    /// A line through points.
    Line { points: Vec<Point>, ink: Ink, width: f64, dashes: Dashes },
    /// A filled area; `about` says what it is to who points at it.
    Area { points: Vec<Point>, ink: Ink, tint: Tint, about: String },
    /// A sign at a place; `about` says what it is to who points at it.
    Sign { at: Point, size: f64, form: Form, ink: Ink, about: String },
    /// Words. Their baseline is at the place.
    Words { at: Point, text: String, anchor: Anchor, size: f64, bold: bool, ink: Ink },
}

/// x, y.
pub(super) type Point = (f64, f64);

/// What a colour says. The outputs choose which it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ink {
    /// Words.
    Words,
    /// Words and lines that step back.
    Quiet,
    /// Grid.
    Rule,
    /// The background.
    Paper,
    /// Data.
    Main,
    /// Data to be seen first.
    Strong,
    /// One of several things side by side.
    Part(usize),
}

/// Colours of things side by side; more of them repeat the colours with another hatching.
pub(super) const PARTS: usize = 6;

/// How an area is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tint {
    /// All of it.
    Full,
    /// So that what lies below is seen.
    Light,
}

/// How a line is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Dashes {
    /// Not.
    None,
    /// In dashes.
    Long,
    /// In dots.
    Dots,
    /// In dashes and dots.
    Mixed,
}

impl Dashes {
    /// Lengths of dash and gap.
    pub fn pattern(self) -> &'static [f32] {
        match self {
            Self::None => &[],
            Self::Long => &[6.0, 4.0],
            Self::Dots => &[1.5, 3.0],
            Self::Mixed => &[8.0, 3.0, 1.5, 3.0],
        }
    }
}

/// A sign's form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// Hollow circle.
    Ring,
    /// Filled circle.
    Disc,
    /// Filled square.
    Square,
    /// Filled diamond.
    Diamond,
    /// Hollow triangle.
    Triangle,
    /// Upright cross.
    Cross,
}

impl Form {
    /// Corners around a place, for forms that have any; half the size from the middle.
    pub fn corners(self, (x, y): Point, size: f64) -> Vec<Point> {
        let half = size / 2.0;
        match self {
            Self::Square => {
                let half = half * 0.9;
                vec![(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
            }
            Self::Diamond => {
                let half = half * 1.2;
                vec![(x, y - half), (x + half, y), (x, y + half), (x - half, y)]
            }
            Self::Triangle => {
                vec![(x, y - half * 1.1), (x + half * 1.1, y + half * 0.9), (x - half * 1.1, y + half * 0.9)]
            }
            Self::Ring | Self::Disc | Self::Cross => Vec::new(),
        }
    }
}

/// Where words stand from their place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    /// They begin there.
    Start,
    /// Their middle is there.
    Middle,
    /// They end there.
    End,
}

/// Size of words in pictures.
pub(super) const WORDS: f64 = 12.0;
/// A little more than Helvetica takes: the reader's own font may be wider.
const WIDER: f64 = 1.08;
/// Beyond this a number is drawn at the edge.
const FAR: f64 = 1e15;

impl Drawing {
    fn new(width: f64) -> Self {
        Self { width, height: 0.0, shapes: Vec::new() }
    }

    fn line(&mut self, points: Vec<Point>, ink: Ink, width: f64, dashes: Dashes) {
        if points.len() > 1 && points.iter().all(is_drawable) {
            self.shapes.push(Shape::Line { points, ink, width, dashes });
        }
    }

    fn area(&mut self, points: Vec<Point>, ink: Ink, tint: Tint, about: String) {
        if points.len() > 2 && points.iter().all(is_drawable) {
            self.shapes.push(Shape::Area { points, ink, tint, about });
        }
    }

    fn sign(&mut self, at: Point, size: f64, form: Form, ink: Ink, about: String) {
        if is_drawable(&at) && size.is_finite() {
            self.shapes.push(Shape::Sign { at, size, form, ink, about });
        }
    }

    fn words(&mut self, at: Point, text: impl Into<String>, anchor: Anchor, ink: Ink) {
        self.words_of(at, text.into(), anchor, ink, false);
    }

    fn words_of(&mut self, at: Point, text: String, anchor: Anchor, ink: Ink, bold: bool) {
        if is_drawable(&at) && !text.is_empty() {
            self.shapes.push(Shape::Words { at, text, anchor, size: WORDS, bold, ink });
        }
    }
}

fn is_drawable(point: &Point) -> bool {
    point.0.is_finite() && point.1.is_finite()
}

/// How wide words are drawn, with a little room.
fn wide(text: &str, bold: bool) -> f64 {
    width_of(text, bold) * WORDS * WIDER
}

/// As much of a text as fits.
fn fitting(text: &str, room: f64, bold: bool) -> String {
    if wide(text, bold) <= room {
        return text.to_owned();
    }
    let mut out = String::new();
    let mut used = wide("…", bold);
    for letter in text.chars() {
        used += wide(letter.encode_utf8(&mut [0; 4]), bold);
        if used > room {
            break;
        }
        out.push(letter);
    }
    out + "…"
}

/// Values that can be drawn: finite, and not further than the axis can tell.
fn near(value: f64) -> Option<f64> {
    value.is_finite().then(|| value.clamp(-FAR, FAR))
}

/// A picture on a sheet of this width.
pub(super) fn draw(drawn: &Drawn, width: f64) -> Drawing {
    let mut drawing = match drawn {
        Drawn::Ladder { axis, rows, level } => ladder::draw(axis, rows, level.as_ref(), width),
        Drawn::Plot { x, y, traces, levels } => plot::draw(x, y, traces, levels, width),
        Drawn::Parts { axis, parts, rows } => bars::draw(axis, parts, rows, width),
        Drawn::Map { ways, spots } => map::draw(ways, spots, width),
    };
    if drawing.shapes.is_empty() {
        drawing.height = 40.0;
        drawing.words((0.0, 24.0), "There is nothing to draw yet.", Anchor::Start, Ink::Quiet);
    }
    drawing
}
