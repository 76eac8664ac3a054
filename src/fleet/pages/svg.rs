//! Shapes as SVG, in a page. Colours, and dashes of hatching, come from the stylesheet, so that light, dark and print
//! each have their own.

use std::fmt::Write;

use super::drawing::{Anchor, Dashes, Drawing, Form, Ink, Point, Shape, Tint};

/// A drawing as an element; title and description name it to who does not see it.
///
/// `id` is unique in its page. A picture is one thing to who goes by keyboard, so that it holds no links: those stand in
/// the table behind it.
pub(super) fn svg(drawing: &Drawing, id: &str, class: &str, (title, says): (&str, &str)) -> String {
    let mut out = String::with_capacity(drawing.shapes.len() * 120 + 500);
    out += &format!(
        "<svg class=\"picture {class}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" \
         height=\"{h}\"><title id=\"{id}-t\">",
        w = places(drawing.width),
        h = places(drawing.height),
    );
    escape(&mut out, title);
    out += &format!("</title><desc id=\"{id}-d\">");
    escape(&mut out, says);
    out += "</desc>";
    drawing.shapes.iter().for_each(|shape| paint(&mut out, shape));
    out + "</svg>"
}

fn paint(out: &mut String, shape: &Shape) {
    match shape {
        Shape::Line { points, ink, width, dashes } => {
            let dashes = match dashes {
                Dashes::None => String::new(),
                dashes => {
                    let pattern: Vec<String> = dashes.pattern().iter().map(f32::to_string).collect();
                    format!(" stroke-dasharray=\"{}\"", pattern.join(" "))
                }
            };
            put(out, format_args!("<path class=\"s {}\" d=\"", class(*ink)));
            path(out, points, false);
            put(out, format_args!("\" stroke-width=\"{}\"{dashes}/>", places(*width)));
        }
        Shape::Area { points, ink, tint, about } => {
            let tint = if *tint == Tint::Light { " l" } else { "" };
            put(out, format_args!("<path class=\"f {}{tint}\" d=\"", class(*ink)));
            path(out, points, true);
            *out += "\">";
            pointed_at(out, about);
            *out += "</path>";
        }
        Shape::Sign { at, size, form, ink, about } => sign(out, *at, *size, *form, *ink, about),
        Shape::Words { at, text, anchor, size, bold, ink } => {
            let anchor = match anchor {
                Anchor::Start => "",
                Anchor::Middle => " text-anchor=\"middle\"",
                Anchor::End => " text-anchor=\"end\"",
            };
            let bold = if *bold { " font-weight=\"600\"" } else { "" };
            put(
                out,
                format_args!(
                    "<text class=\"f {}\" x=\"{}\" y=\"{}\" font-size=\"{}\"{anchor}{bold}>",
                    class(*ink),
                    places(at.0),
                    places(at.1),
                    places(*size)
                ),
            );
            escape(out, text);
            *out += "</text>";
        }
    }
}

fn sign(out: &mut String, at: Point, size: f64, form: Form, ink: Ink, about: &str) {
    let (kind, class) = match form {
        Form::Ring | Form::Triangle | Form::Cross => ("s", class(ink)),
        Form::Disc | Form::Square | Form::Diamond => ("f", class(ink)),
    };
    // What is hollow shows what lies below, and has a wider edge to be seen.
    let edge = if kind == "s" { " stroke-width=\"1.6\"" } else { "" };
    match form {
        Form::Ring | Form::Disc => put(
            out,
            format_args!(
                "<circle class=\"{kind} {class}\" cx=\"{}\" cy=\"{}\" r=\"{}\"{edge}>",
                places(at.0),
                places(at.1),
                places(size / 2.0)
            ),
        ),
        Form::Cross => {
            let half = size / 2.0;
            put(out, format_args!("<path class=\"{kind} {class}\"{edge} d=\""));
            path(out, &[(at.0 - half, at.1), (at.0 + half, at.1)], false);
            path(out, &[(at.0, at.1 - half), (at.0, at.1 + half)], false);
            *out += "\">";
        }
        Form::Square | Form::Diamond | Form::Triangle => {
            put(out, format_args!("<path class=\"{kind} {class}\"{edge} d=\""));
            path(out, &form.corners(at, size), true);
            *out += "\">";
        }
    }
    pointed_at(out, about);
    *out += if matches!(form, Form::Ring | Form::Disc) { "</circle>" } else { "</path>" };
}

/// What a browser shows to who points at a shape.
fn pointed_at(out: &mut String, about: &str) {
    if !about.is_empty() {
        *out += "<title>";
        escape(out, about);
        *out += "</title>";
    }
}

fn path(out: &mut String, points: &[Point], closed: bool) {
    for (index, (x, y)) in points.iter().enumerate() {
        let to = if index == 0 { 'M' } else { 'L' };
        put(out, format_args!("{to}{} {}", places(*x), places(*y)));
    }
    if closed {
        out.push('Z');
    }
}

/// A colour's class in the stylesheet.
fn class(ink: Ink) -> &'static str {
    match ink {
        Ink::Words => "ink",
        Ink::Quiet => "quiet",
        Ink::Rule => "rule",
        Ink::Paper => "paper",
        Ink::Main => "main",
        Ink::Strong => "strong",
        Ink::Part(part) => ["p0", "p1", "p2", "p3", "p4", "p5"][part % super::drawing::PARTS],
    }
}

/// A place to a tenth of a pixel.
fn places(value: f64) -> String {
    if !value.is_finite() {
        return "0".into();
    }
    let rounded = (value * 10.0).round() / 10.0;
    if rounded == 0.0 { "0".into() } else { rounded.to_string() }
}

fn put(out: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing into a text cannot fail.
    let _infallible = out.write_fmt(text);
}

fn escape(out: &mut String, text: &str) {
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            other => out.push(other),
        }
    }
}
