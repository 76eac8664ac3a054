//! What the terminal shows, and what keys do to it. Knows no terminal.

use std::time::{Duration, Instant};

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use super::line::{LineError, Request, Said};
use crate::board::{Known, Missed, State};

/// The service says something every second; so long without a word, and the values are old.
const OLD_AFTER: Duration = Duration::from_secs(5);
/// So long, and the line is begun anew.
const SILENT_AFTER: Duration = Duration::from_secs(15);
/// Letters of a note.
const NOTE_CHARS_MAX: usize = 500;

/// Which rows are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Show {
    All,
    Marked,
    Heard,
    Stale,
}

impl Show {
    fn next(self) -> Self {
        match self {
            Self::All => Self::Marked,
            Self::Marked => Self::Heard,
            Self::Heard => Self::Stale,
            Self::Stale => Self::All,
        }
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Self::All => "all signals",
            Self::Marked => "changed, not acknowledged",
            Self::Heard => "heard so far",
            Self::Stale => "stale or not heard",
        }
    }
}

/// What is being typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Typing {
    Nothing,
    Filter,
    Note,
}

/// What a key asks for.
#[derive(Debug, PartialEq)]
pub(super) enum Wish {
    Nothing,
    Leave,
    Ask(Request),
}

/// The view's state.
#[derive(Debug)]
pub(super) struct View {
    pub(super) place: String,
    pub(super) colours: bool,
    pub(super) known: Known,
    pub(super) show: Show,
    pub(super) typing: Typing,
    pub(super) filter: String,
    pub(super) note: String,
    /// Rows that are shown.
    pub(super) rows: Vec<usize>,
    /// Which of them is chosen, and the first on the screen.
    pub(super) chosen: usize,
    pub(super) first: usize,
    /// How many fit; set by drawing.
    pub(super) height: usize,
    pub(super) notice: Option<String>,
    pub(super) down: Option<String>,
    who: String,
    heard: Instant,
    new: bool,
    was_old: bool,
}

impl View {
    pub(super) fn new(place: &str, who: &str, colours: bool) -> Self {
        Self {
            place: place.to_owned(),
            colours,
            known: Known::default(),
            show: Show::All,
            typing: Typing::Nothing,
            filter: String::new(),
            note: String::new(),
            rows: Vec::new(),
            chosen: 0,
            first: 0,
            height: 1,
            notice: None,
            down: None,
            who: who.to_owned(),
            heard: Instant::now(),
            new: true,
            was_old: false,
        }
    }

    /// Whether there is something new to be drawn since it was last asked.
    pub(super) fn is_new(&mut self) -> bool {
        let old = self.is_old();
        let turned = std::mem::replace(&mut self.was_old, old) != old;
        std::mem::take(&mut self.new) || turned
    }

    pub(super) fn touch(&mut self) {
        self.new = true;
    }

    /// Whether nothing was heard for so long that the values are old.
    pub(super) fn is_old(&self) -> bool {
        self.down.is_some() || self.heard.elapsed() > OLD_AFTER
    }

    /// Whether the line should be begun anew.
    pub(super) fn is_silent(&self) -> bool {
        self.heard.elapsed() > SILENT_AFTER
    }

    pub(super) fn listen_anew(&mut self) {
        self.heard = Instant::now();
        self.down = Some("the line was silent; trying again".into());
        self.touch();
    }

    /// Takes what came by the line.
    pub(super) fn take(&mut self, said: Said) -> Result<(), Missed> {
        self.heard = Instant::now();
        self.touch();
        match said {
            Said::Down(why) => self.down = Some(why),
            Said::Update(update) => {
                self.down = None;
                let (whole, new_heads) = (update.since == 0, !update.heads.is_empty());
                self.known.take(*update)?;
                if whole || new_heads {
                    self.choose();
                } else {
                    self.add();
                }
            }
        }
        Ok(())
    }

    pub(super) fn answered(&mut self, answer: Result<(), LineError>) {
        self.notice = answer.err().map(|error| format!("That was not done: {error}"));
        self.touch();
    }

    fn is_wanted(&self, row: usize, words: &[&str]) -> bool {
        let said = &self.known.rows[row];
        let shown = match self.show {
            Show::All => true,
            Show::Marked => said.marked.is_some(),
            Show::Heard => said.state != State::Unheard,
            Show::Stale => said.stale || said.state == State::Unheard,
        };
        shown && self.known.matches(row, words)
    }

    /// Chooses anew which rows are shown; the chosen one stays, where it is among them.
    fn choose(&mut self) {
        let chosen = self.rows.get(self.chosen).copied();
        let filter = self.filter.to_lowercase();
        let words: Vec<&str> = filter.split_whitespace().collect();
        self.rows = self.known.order.iter().copied().filter(|row| self.is_wanted(*row, &words)).collect();
        let place = chosen.and_then(|chosen| self.rows.iter().position(|row| *row == chosen));
        self.chosen = place.unwrap_or(0);
        self.touch();
    }

    /// Adds below what has come to be wanted, so that nothing moves under a finger.
    fn add(&mut self) {
        if self.show == Show::All {
            return;
        }
        let filter = self.filter.to_lowercase();
        let words: Vec<&str> = filter.split_whitespace().collect();
        let mut there = vec![false; self.known.rows.len()];
        self.rows.iter().for_each(|row| there[*row] = true);
        let new = self.known.order.iter().copied().filter(|row| !there[*row] && self.is_wanted(*row, &words));
        let new: Vec<usize> = new.collect();
        self.rows.extend(new);
    }

    pub(super) fn paste(&mut self, text: &str) {
        for letter in text.chars().filter(|letter| !letter.is_control()) {
            self.letter(letter);
        }
    }

    fn letter(&mut self, letter: char) {
        match self.typing {
            Typing::Filter => {
                self.filter.push(letter);
                self.choose();
            }
            Typing::Note if self.note.chars().count() < NOTE_CHARS_MAX => self.note.push(letter),
            Typing::Note | Typing::Nothing => {}
        }
        self.touch();
    }

    pub(super) fn key(&mut self, key: KeyEvent) -> Wish {
        self.touch();
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return if key.code == KeyCode::Char('c') { Wish::Leave } else { Wish::Nothing };
        }
        self.notice = None;
        if self.typing != Typing::Nothing {
            return self.typed(key.code);
        }
        match key.code {
            KeyCode::Char('q') => return Wish::Leave,
            KeyCode::Esc if self.filter.is_empty() => return Wish::Leave,
            KeyCode::Esc => {
                self.filter.clear();
                self.choose();
            }
            KeyCode::Char('/') => self.typing = Typing::Filter,
            KeyCode::Char('m') => self.typing = Typing::Note,
            KeyCode::Char('a') => return self.acknowledge(self.rows.clone()),
            KeyCode::Char(' ') | KeyCode::Enter => {
                return self.acknowledge(self.rows.get(self.chosen).copied().into_iter().collect());
            }
            KeyCode::Tab => {
                self.show = self.show.next();
                self.choose();
            }
            KeyCode::Up | KeyCode::Char('k') => self.go(-1),
            KeyCode::Down | KeyCode::Char('j') => self.go(1),
            KeyCode::PageUp => self.go(-(self.height as isize)),
            KeyCode::PageDown => self.go(self.height as isize),
            KeyCode::Home => self.chosen = 0,
            KeyCode::End => self.chosen = self.rows.len().saturating_sub(1),
            _ => {}
        }
        Wish::Nothing
    }

    fn typed(&mut self, code: KeyCode) -> Wish {
        match (code, self.typing) {
            (KeyCode::Char(letter), _) => self.letter(letter),
            (KeyCode::Backspace, Typing::Filter) => {
                self.filter.pop();
                self.choose();
            }
            (KeyCode::Backspace, _) => {
                self.note.pop();
            }
            (KeyCode::Esc, Typing::Filter) => {
                self.filter.clear();
                self.typing = Typing::Nothing;
                self.choose();
            }
            (KeyCode::Esc, _) => {
                self.note.clear();
                self.typing = Typing::Nothing;
            }
            (KeyCode::Enter, Typing::Note) => {
                self.typing = Typing::Nothing;
                let note = std::mem::take(&mut self.note);
                return match &self.known.last {
                    Some(last) => Wish::Ask(Request::Mark { tap: last.tap.clone(), note, who: self.who.clone() }),
                    None => Wish::Nothing,
                };
            }
            (KeyCode::Enter, _) => self.typing = Typing::Nothing,
            (KeyCode::Up, _) => self.go(-1),
            (KeyCode::Down, _) => self.go(1),
            _ => {}
        }
        Wish::Nothing
    }

    fn go(&mut self, rows: isize) {
        self.chosen = self.chosen.saturating_add_signed(rows).min(self.rows.len().saturating_sub(1));
    }

    /// Acknowledges what is marked of some rows.
    fn acknowledge(&self, rows: Vec<usize>) -> Wish {
        let rows: Vec<u32> =
            rows.into_iter().filter(|row| self.known.rows[*row].marked.is_some()).map(|row| row as u32).collect();
        match &self.known.last {
            Some(last) if !rows.is_empty() => Wish::Ask(Request::Acknowledge {
                tap: last.tap.clone(),
                generation: last.generation,
                sequence: last.sequence,
                rows,
            }),
            _ => Wish::Nothing,
        }
    }

    /// The rows on a screen that has room for `height`; the chosen one is among them.
    pub(super) fn on_screen(&mut self, height: usize) -> &[usize] {
        self.height = height.max(1);
        self.chosen = self.chosen.min(self.rows.len().saturating_sub(1));
        self.first = self.first.clamp((self.chosen + 1).saturating_sub(self.height), self.chosen);
        let end = (self.first + self.height).min(self.rows.len());
        &self.rows[self.first.min(end)..end]
    }
}
