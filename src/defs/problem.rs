//! What is wrong with a definition set, shown as a compiler would: file, line, column, the text, the remedy.

use std::fmt;
use std::ops::Range;

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

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
        let mut out = String::new();
        for problem in &self.list {
            let mut group = Group::with_title(Level::ERROR.primary_title(problem.title.as_str()));
            if let Some((file, span)) = &problem.place {
                let source = &self.sources[*file];
                let mut snippet = Snippet::source(source.text.as_str())
                    .path(source.name.as_str())
                    .annotation(AnnotationKind::Primary.span(within(span, &source.text)).label(problem.label.as_str()));
                match &problem.other {
                    Some((other, span, label)) if other == file => {
                        snippet = snippet
                            .annotation(AnnotationKind::Context.span(within(span, &source.text)).label(label.as_str()));
                        group = group.element(snippet);
                    }
                    Some((other, span, label)) => {
                        let second = &self.sources[*other];
                        group = group.element(snippet).element(
                            Snippet::source(second.text.as_str()).path(second.name.as_str()).annotation(
                                AnnotationKind::Context.span(within(span, &second.text)).label(label.as_str()),
                            ),
                        );
                    }
                    None => group = group.element(snippet),
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
