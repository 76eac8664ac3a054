//! Sheets of A4 with words and shapes on them, from the top down.

use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::super::drawing::{Anchor, Dashes, Drawing, Form, Ink, PARTS, Point, Shape, Tint};
use super::super::letters::{encoded, width_of};
use super::super::shell::CAUTIONS;

/// A4. Unit: point.
const A4: (f64, f64) = (595.0, 842.0);
/// Left and right of what is set.
pub(super) const SIDE: f64 = 40.0;
/// Above it.
const TOP: f64 = 40.0;
/// Below it: cautions and the number stand there.
const FOOT: f64 = 58.0;
const PLAIN: Name<'static> = Name(b"F1");
const BOLD: Name<'static> = Name(b"F2");
/// A word of a line is no longer than this; no sense is lost in what no person reads.
const LETTERS_MAX: usize = 4000;

/// How words are set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Style {
    /// The document's heading.
    Title,
    /// A section's.
    Heading,
    /// A line of the worklist.
    Line,
    /// A caption.
    Caption,
    /// Paragraphs.
    Text,
    /// What steps back.
    Small,
    /// Cautions.
    Caution,
}

impl Style {
    /// Size, whether bold, space before.
    fn set(self) -> (f64, bool, f64) {
        match self {
            Self::Title => (16.0, true, 0.0),
            Self::Heading => (12.0, true, 12.0),
            Self::Line => (10.5, true, 2.0),
            Self::Caption => (9.5, true, 6.0),
            Self::Text => (9.5, false, 3.0),
            Self::Small => (8.0, false, 2.0),
            Self::Caution => (8.5, true, 2.0),
        }
    }
}

/// A document while it is set.
pub(super) struct Paper {
    title: String,
    size: (f64, f64),
    sheets: Vec<Content>,
    /// From the top of the sheet.
    y: f64,
    /// Room left free at the left and at the right.
    indent: (f64, f64),
}

impl Paper {
    pub fn new(title: &str, lies: bool) -> Self {
        let size = if lies { (A4.1, A4.0) } else { A4 };
        Self { title: title.into(), size, sheets: vec![Content::new()], y: TOP, indent: (0.0, 0.0) }
    }

    /// Width of what is set.
    pub fn width(&self) -> f64 {
        self.size.0 - 2.0 * SIDE - self.indent.0 - self.indent.1
    }

    /// Height of what can be set on one sheet.
    pub fn height(&self) -> f64 {
        self.size.1 - TOP - FOOT
    }

    /// Leaves room at the sides.
    pub fn indent(&mut self, left: f64, right: f64) {
        self.indent = (left, right);
    }

    /// Where the next thing is set.
    pub fn mark(&self) -> f64 {
        self.y
    }

    /// Goes down (or up), though not onto another sheet.
    pub fn space(&mut self, height: f64) {
        self.y += height;
    }

    /// Begins another sheet, unless this one is empty.
    pub fn new_sheet(&mut self) {
        if self.y > TOP {
            self.sheets.push(Content::new());
            self.y = TOP;
        }
    }

    /// Begins another sheet unless so much fits on this one. Whether it did.
    pub fn keep(&mut self, height: f64) -> bool {
        let fits = self.y + height <= self.size.1 - FOOT;
        let moves = !fits && self.y > TOP;
        if moves {
            self.new_sheet();
        }
        moves
    }

    /// A heading, kept with what follows.
    pub fn heading(&mut self, text: &str, style: Style) {
        self.keep(70.0);
        self.text(text, style);
        self.space(2.0);
    }

    /// A paragraph.
    pub fn text(&mut self, text: &str, style: Style) {
        let (size, bold, before) = style.set();
        if text.trim().is_empty() {
            return;
        }
        self.y += before;
        for line in lines(text, self.width(), size, bold) {
            self.keep(size * 1.3);
            let at = (SIDE + self.indent.0, self.y + size);
            let ink = if style == Style::Small { Ink::Quiet } else { Ink::Words };
            self.put(at, &line, size, bold, ink);
            self.y += size * 1.3;
        }
    }

    /// A thin line over the width.
    pub fn rule(&mut self) {
        let (from, to) = (SIDE + self.indent.0, self.size.0 - SIDE - self.indent.1);
        self.line(&[(from, self.y), (to, self.y)], Ink::Rule, 0.5, Dashes::None);
        self.y += 3.0;
    }

    /// A line anywhere on the sheet.
    pub fn line(&mut self, points: &[Point], ink: Ink, width: f64, dashes: Dashes) {
        let height = self.size.1;
        stroke(self.sheet(), &turned(points, height), ink, width, dashes);
    }

    /// A box to tick, beside the margin.
    pub fn tick_box(&mut self, top: f64) {
        let (left, top) = (SIDE + 1.0, top + 4.0);
        let corners = [(left, top), (left + 11.0, top), (left + 11.0, top + 11.0), (left, top + 11.0), (left, top)];
        self.line(&corners, Ink::Words, 1.0, Dashes::None);
    }

    /// Words anywhere on the sheet; the place is that of their baseline's start.
    pub fn put(&mut self, (x, y): Point, text: &str, size: f64, bold: bool, ink: Ink) {
        let height = self.size.1;
        words(self.sheet(), (x, height - y), text, size, bold, ink);
    }

    /// A picture as wide as fits, with what it shows above and what is to be seen below.
    pub fn picture(&mut self, drawing: &Drawing, title: &str, says: &str) {
        let room = self.height() - 60.0;
        let scale = (self.width() / drawing.width).min(room / drawing.height.max(1.0)).min(1.0);
        self.keep(drawing.height * scale + 34.0);
        self.text(title, Style::Caption);
        self.text(says, Style::Small);
        self.y += 4.0;
        let top = self.y;
        self.drawn(drawing, (SIDE, top), scale);
        self.y = top + drawing.height * scale + 6.0;
    }

    /// A picture at the right of what was set since `top`.
    pub fn picture_beside(&mut self, drawing: &Drawing, top: f64, scale: f64, title: &str) {
        // The words may have gone on to another sheet.
        let top = if top > self.y { TOP } else { top };
        let left = self.size.0 - SIDE - drawing.width * scale;
        for (index, line) in lines(title, drawing.width * scale, 7.5, false).iter().take(2).enumerate() {
            self.put((left, top + 7.5 + 9.0 * index as f64), line, 7.5, false, Ink::Quiet);
        }
        let below = top + 22.0;
        self.drawn(drawing, (left, below), scale);
        self.y = self.y.max(below + drawing.height * scale);
    }

    fn drawn(&mut self, drawing: &Drawing, (left, top): Point, scale: f64) {
        let height = self.size.1;
        let place = |(x, y): Point| (left + x * scale, height - top - y * scale);
        let sheet = self.sheet();
        for shape in &drawing.shapes {
            match shape {
                Shape::Line { points, ink, width, dashes } => {
                    let points: Vec<Point> = points.iter().map(|point| place(*point)).collect();
                    stroke(sheet, &points, *ink, width * scale, *dashes);
                }
                Shape::Area { points, ink, tint, .. } => {
                    let points: Vec<Point> = points.iter().map(|point| place(*point)).collect();
                    fill(sheet, &points, *ink, *tint);
                }
                Shape::Sign { at, size, form, ink, .. } => sign(sheet, place(*at), size * scale, *form, *ink),
                Shape::Words { at, text, anchor, size, bold, ink, .. } => {
                    let size = size * scale;
                    let width = width_of(text, *bold) * size;
                    let (x, y) = place(*at);
                    let x = match anchor {
                        Anchor::Start => x,
                        Anchor::Middle => x - width / 2.0,
                        Anchor::End => x - width,
                    };
                    words(sheet, (x, y), text, size, *bold, *ink);
                }
            }
        }
    }

    fn sheet(&mut self) -> &mut Content {
        let last = self.sheets.len() - 1;
        &mut self.sheets[last]
    }

    /// The document.
    pub fn finish(self) -> Vec<u8> {
        let mut pdf = Pdf::new();
        let [catalog, tree, info, plain, bold] = [1, 2, 3, 4, 5].map(Ref::new);
        let count = self.sheets.len() as i32;
        let ids: Vec<(Ref, Ref)> = (0..count).map(|sheet| (Ref::new(6 + 2 * sheet), Ref::new(7 + 2 * sheet))).collect();
        let mut root = pdf.catalog(catalog);
        root.pages(tree).lang(TextStr("en"));
        root.viewer_preferences().display_doc_title(true);
        root.finish();
        pdf.document_info(info).title(TextStr(&self.title)).creator(TextStr("yardtap"));
        pdf.pages(tree).kids(ids.iter().map(|(page, _)| *page)).count(count);
        for (id, font) in [(plain, Name(b"Helvetica")), (bold, Name(b"Helvetica-Bold"))] {
            pdf.type1_font(id).base_font(font).encoding_predefined(Name(b"WinAnsiEncoding"));
        }
        for (index, (mut sheet, (page_id, content_id))) in self.sheets.into_iter().zip(ids).enumerate() {
            foot(&mut sheet, self.size, &self.title, index + 1, count);
            let mut page = pdf.page(page_id);
            page.parent(tree).contents(content_id);
            page.media_box(Rect::new(0.0, 0.0, self.size.0 as f32, self.size.1 as f32));
            let mut resources = page.resources();
            let mut fonts = resources.fonts();
            fonts.pair(PLAIN, plain).pair(BOLD, bold);
            fonts.finish();
            resources.finish();
            page.finish();
            let content = sheet.finish();
            // Writing into memory does not fail; were it to, the sheet stays as it is.
            if let Ok(packed) = packed(&content) {
                pdf.stream(content_id, &packed).filter(Filter::FlateDecode);
            } else {
                pdf.stream(content_id, &content);
            }
        }
        pdf.finish()
    }
}

fn packed(content: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(content)?;
    encoder.finish()
}

/// Cautions, title and number at the foot of a sheet.
fn foot(sheet: &mut Content, (width, _): (f64, f64), title: &str, number: usize, count: i32) {
    stroke(sheet, &[(SIDE, FOOT - 10.0), (width - SIDE, FOOT - 10.0)], Ink::Quiet, 0.5, Dashes::None);
    let mut y = FOOT - 20.0;
    for line in lines(CAUTIONS[0], width - 2.0 * SIDE, 7.0, false) {
        words(sheet, (SIDE, y), &line, 7.0, false, Ink::Words);
        y -= 8.5;
    }
    let number = format!("{number} of {count}");
    let title = lines(&format!("yardtap: {title}"), width - 2.0 * SIDE - 60.0, 7.0, false);
    words(sheet, (SIDE, y), title.first().map_or("", String::as_str), 7.0, false, Ink::Quiet);
    words(sheet, (width - SIDE - width_of(&number, false) * 7.0, y), &number, 7.0, false, Ink::Quiet);
}

/// A text in lines no wider than this. A word that is wider is broken.
pub(super) fn lines(text: &str, width: f64, size: f64, bold: bool) -> Vec<String> {
    let mut out = Vec::new();
    let text: String = text.chars().take(LETTERS_MAX).collect();
    let space = width_of(" ", bold) * size;
    let (mut line, mut used) = (String::new(), 0.0);
    for word in text.split_whitespace() {
        let mut wide = width_of(word, bold) * size;
        if !line.is_empty() && used + space + wide > width {
            out.push(std::mem::take(&mut line));
            used = 0.0;
        }
        let mut word = word;
        while wide > width {
            let mut fits = 0.0;
            let end = word.char_indices().find(|(_, letter)| {
                fits += width_of(letter.encode_utf8(&mut [0; 4]), bold) * size;
                fits > width
            });
            // At least one letter a line, however narrow it is.
            let first = word.chars().next().map_or(0, char::len_utf8);
            let end = end.map_or(word.len(), |(end, _)| end).max(first);
            out.push(word[..end].to_owned());
            word = &word[end..];
            wide = width_of(word, bold) * size;
            if word.is_empty() {
                break;
            }
        }
        if !line.is_empty() {
            line.push(' ');
            used += space;
        }
        line += word;
        used += wide;
    }
    if !line.is_empty() {
        out.push(line);
    }
    out
}

fn turned(points: &[Point], height: f64) -> Vec<Point> {
    points.iter().map(|(x, y)| (*x, height - y)).collect()
}

/// Red, green, blue on paper.
fn colour(ink: Ink) -> [f32; 3] {
    let hex = match ink {
        Ink::Words => 0x1c1d1f,
        Ink::Quiet => 0x55585c,
        Ink::Rule => 0xd0cec6,
        Ink::Paper => 0xffffff,
        Ink::Main => 0x0b5a6b,
        Ink::Strong => 0xa33b10,
        Ink::Part(part) => [0x0b5a6b, 0xa33b10, 0x4a6b1f, 0x6a3d8a, 0x8a6a00, 0x55585c][part % PARTS],
    };
    [16, 8, 0].map(|shift| ((hex >> shift) & 0xff) as f32 / 255.0)
}

fn words(sheet: &mut Content, (x, y): Point, text: &str, size: f64, bold: bool, ink: Ink) {
    let [red, green, blue] = colour(ink);
    sheet.set_fill_rgb(red, green, blue).begin_text();
    sheet.set_font(if bold { BOLD } else { PLAIN }, size as f32).next_line(x as f32, y as f32);
    sheet.show(Str(&encoded(text))).end_text();
}

fn stroke(sheet: &mut Content, points: &[Point], ink: Ink, width: f64, dashes: Dashes) {
    let [red, green, blue] = colour(ink);
    sheet.set_stroke_rgb(red, green, blue).set_line_width(width as f32);
    sheet.set_dash_pattern(dashes.pattern().iter().copied(), 0.0);
    path(sheet, points);
    sheet.stroke();
}

fn fill(sheet: &mut Content, points: &[Point], ink: Ink, tint: Tint) {
    let [red, green, blue] = colour(ink);
    // What lies below a light area shows; here it lies below everything, so that lightness is enough.
    let paler = |value: f32| if tint == Tint::Light { 1.0 - (1.0 - value) * 0.22 } else { value };
    sheet.set_fill_rgb(paler(red), paler(green), paler(blue));
    path(sheet, points);
    sheet.close_path().fill_nonzero();
}

fn path(sheet: &mut Content, points: &[Point]) {
    for (index, (x, y)) in points.iter().enumerate() {
        let (x, y) = (*x as f32, *y as f32);
        if index == 0 {
            sheet.move_to(x, y)
        } else {
            sheet.line_to(x, y)
        };
    }
}

fn sign(sheet: &mut Content, at: Point, size: f64, form: Form, ink: Ink) {
    let (x, y) = at;
    let half = size / 2.0;
    match form {
        Form::Disc => fill(sheet, &round(at, half), ink, Tint::Full),
        Form::Ring => {
            let mut around = round(at, half);
            around.extend(around.first().copied());
            stroke(sheet, &around, ink, 1.2, Dashes::None);
        }
        Form::Cross => {
            stroke(sheet, &[(x - half, y), (x + half, y)], ink, 1.2, Dashes::None);
            stroke(sheet, &[(x, y - half), (x, y + half)], ink, 1.2, Dashes::None);
        }
        // Upright on paper too: y goes up there.
        Form::Triangle => {
            let mut corners: Vec<Point> = form.corners((x, -y), size).into_iter().map(|(x, y)| (x, -y)).collect();
            corners.extend(corners.first().copied());
            stroke(sheet, &corners, ink, 1.2, Dashes::None);
        }
        Form::Square | Form::Diamond => fill(sheet, &form.corners(at, size), ink, Tint::Full),
    }
}

/// A circle in so many corners that nobody sees them.
fn round((x, y): Point, radius: f64) -> Vec<Point> {
    let corner = |index: u32| {
        let angle = f64::from(index) * std::f64::consts::TAU / 24.0;
        (x + radius * angle.cos(), y + radius * angle.sin())
    };
    (0..24).map(corner).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_and_lose_nothing() {
        let text = "Pole-offs of vehicle 207 stand out: 14 in 30 days, of which 12 at one place";
        let set = lines(text, 120.0, 9.0, false);
        assert!(set.len() > 2);
        assert!(set.iter().all(|line| width_of(line, false) * 9.0 <= 120.0));
        assert_eq!(set.join(" "), text);
        let long = lines(&"x".repeat(300), 50.0, 9.0, true);
        assert_eq!(long.concat(), "x".repeat(300));
        assert_eq!(lines("abc", 0.1, 9.0, false), ["a", "b", "c"]);
        assert!(lines("", 50.0, 9.0, false).is_empty());
    }
}
