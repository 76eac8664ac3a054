//! The key of a picture: its signs, and what they mean.

use super::bars::hatched;
use super::{Anchor, Dashes, Drawing, Form, Ink, Tint, WORDS, wide};

/// What stands in a key.
pub(super) enum Sample {
    /// A line.
    Line(Ink, f64, Dashes),
    /// A sign.
    Sign(Form, Ink),
    /// A band.
    Band(Ink),
    /// A part of a bar, by its place in order.
    Part(usize),
}

/// Width of a sample.
const SAMPLE: f64 = 18.0;
/// From one line of the key to the next.
const STEP: f64 = WORDS + 6.0;

/// Draws a key from `top` on, between left and right; gives where it ends.
pub(super) fn draw(drawing: &mut Drawing, samples: Vec<(Sample, String)>, left: f64, right: f64, top: f64) -> f64 {
    let (mut x, mut y) = (left, top);
    for (sample, name) in samples {
        let name = super::fitting(&name, right - left - SAMPLE - 6.0, false);
        let width = SAMPLE + 6.0 + wide(&name, false);
        if x > left && x + width > right {
            (x, y) = (left, y + STEP);
        }
        let middle = y + STEP / 2.0;
        match sample {
            Sample::Line(ink, thick, dashes) => {
                drawing.line(vec![(x, middle), (x + SAMPLE, middle)], ink, thick, dashes);
            }
            Sample::Sign(form, ink) => drawing.sign((x + SAMPLE / 2.0, middle), 8.0, form, ink, String::new()),
            Sample::Band(ink) => {
                let box_of =
                    vec![(x, middle - 5.0), (x + SAMPLE, middle - 5.0), (x + SAMPLE, middle + 5.0), (x, middle + 5.0)];
                drawing.area(box_of, ink, Tint::Light, String::new());
            }
            Sample::Part(part) => hatched(drawing, part, (x, middle - 5.5), (SAMPLE, 11.0), String::new()),
        }
        drawing.words((x + SAMPLE + 6.0, middle + WORDS * 0.35), name, Anchor::Start, Ink::Words);
        x += width + 16.0;
    }
    y + STEP
}
