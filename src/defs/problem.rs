//! What is wrong with a definition set, shown as a compiler would: file, line, column, the text, the remedy.

use std::fmt;
use std::ops::Range;

use annotate_snippets::{Annotation, AnnotationKind, Group, Level, Renderer, Snippet};

/// One text of a definition set.
#[derive(Debug, Clone)]
pub struct SourceText {
    /// File name as the reader knows it.
    pub name: String,
    /// Its content.
    pub text: String,
}

/// One thing that is wrong, or odd.
#[derive(Debug, Clone)]
pub struct Problem {
    /// Which text; none: the set as a whole.
    pub place: Option<(usize, Range<usize>)>,
    /// A second place that it conflicts with.
    pub other: Option<(usize, Range<usize>, String)>,
    /// What is wrong.
    pub title: String,
    /// What is wrong at the place itself, in few words.
    pub label: String,
    /// What would be right.
    pub remedy: String,
}

/// All that is wrong with a set. Never empty.
#[derive(Debug)]
pub struct Problems {
    /// The texts that were read.
    pub sources: Vec<SourceText>,
    /// In the order of the texts.
    pub list: Vec<Problem>,
}

impl Problems {
    /// The problems as text, coloured or not.
    pub fn render(&self, coloured: bool) -> String {
        let renderer = if coloured { Renderer::styled() } else { Renderer::plain() };
        let lines: Vec<Vec<usize>> = self.sources.iter().map(|source| line_starts(&source.text)).collect();
        let mut out = String::new();
        for problem in &self.list {
            let mut group = Group::with_title(Level::ERROR.primary_title(problem.title.as_str()));
            if let Some((file, span)) = &problem.place {
                let primary = (AnnotationKind::Primary, span, problem.label.as_str());
                let other =
                    problem.other.as_ref().map(|(f, span, label)| (f, (AnnotationKind::Context, span, label.as_str())));
                match other {
                    Some((other, context)) if other == file => {
                        group = group.element(snippet(&self.sources[*file], &lines[*file], &[primary, context]));
                    }
                    Some((other, context)) => {
                        group = group
                            .element(snippet(&self.sources[*file], &lines[*file], &[primary]))
                            .element(snippet(&self.sources[*other], &lines[*other], &[context]));
                    }
                    None => group = group.element(snippet(&self.sources[*file], &lines[*file], &[primary])),
                }
            }
            if !problem.remedy.is_empty() {
                group = group.element(Level::HELP.message(problem.remedy.as_str()));
            }
            out.push_str(&renderer.render(&[group]));
            out.push('\n');
        }
        out
    }
}

type Marked<'a> = (AnnotationKind, &'a Range<usize>, &'a str);

/// The lines that are marked, and no more: the renderer looks at all it is given, and there may be thousands of problems
/// in a long file.
fn snippet<'a>(source: &'a SourceText, lines: &[usize], marked: &[Marked<'a>]) -> Snippet<'a, Annotation<'a>> {
    let spans: Vec<Range<usize>> = marked.iter().map(|(_, span, _)| within(span, &source.text)).collect();
    let first = spans.iter().map(|span| span.start).min().unwrap_or(0);
    let last = spans.iter().map(|span| span.end).max().unwrap_or(0);
    let line = lines.partition_point(|start| *start <= first).saturating_sub(1);
    let from = lines.get(line).copied().unwrap_or(0);
    let to = lines.get(lines.partition_point(|start| *start <= last)).copied().unwrap_or(source.text.len());
    let window = source.text.get(from..to).unwrap_or_default();
    let mut snippet = Snippet::source(window).line_start(line + 1).path(source.name.as_str());
    for ((kind, _, label), span) in marked.iter().zip(spans) {
        snippet = snippet.annotation(kind.span(span.start - from..span.end - from).label(*label));
    }
    snippet
}

/// Where each line of a text begins.
fn line_starts(text: &str) -> Vec<usize> {
    std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect()
}

/// A span that surely lies in the text and on character borders.
fn within(span: &Range<usize>, text: &str) -> Range<usize> {
    let floor = |mut at: usize| {
        at = at.min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = floor(span.start);
    start..floor(span.end).max(start)
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Problems {}
