//! The live view in a terminal, over SSH for example: the pages' stream of updates in, a screen out.
//!
//! It can do what the page can: filter, mark with a note, acknowledge. Nothing is told by colour alone.

mod draw;
pub mod line;
mod view;
#[cfg(test)]
mod tests;

use std::io;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use crossterm::event::{self, Event, KeyEventKind};

use crate::stop::Stop;
use line::{Line, Said};
use view::{View, Wish};

/// How often keys and updates are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// At most so often the screen is drawn: more is more than an eye or a slow line takes.
const DRAW_EVERY: Duration = Duration::from_millis(100);

/// Shows a tap's live values until somebody leaves, or is asked to. The terminal is as before on return.
///
/// # Errors
/// The terminal cannot be read or written.
pub fn show(line: &Line, who: &str, colours: bool, stop: &Stop) -> io::Result<()> {
    let mut terminal = ratatui::try_init()?;
    let shown = work(&mut terminal, line, who, colours, stop);
    // Where the terminal is gone there is nothing to be put right.
    let restored = ratatui::try_restore();
    shown.and(restored)
}

fn work(terminal: &mut ratatui::DefaultTerminal, line: &Line, who: &str, colours: bool, stop: &Stop) -> io::Result<()> {
    let mut view = View::new(line.place(), who, colours);
    let mut said = line.listen();
    let mut drawn: Option<Instant> = None;
    while !stop.is_set() {
        take(&mut view, &mut said, line);
        if view.is_silent() {
            // The old line ends by itself, or never.
            said = line.listen();
            view.listen_anew();
        }
        let due = drawn.is_none_or(|drawn| drawn.elapsed() >= DRAW_EVERY);
        if due && view.is_new() {
            terminal.draw(|frame| draw::draw(frame, &mut view))?;
            drawn = Some(Instant::now());
        }
        if !event::poll(LOOK_EVERY)? {
            continue;
        }
        // All that was typed so far before the next drawing: a pasted text does not draw letter by letter.
        while event::poll(Duration::ZERO)? {
            match event::read()? {
                Event::Key(key) if key.kind != KeyEventKind::Release => match view.key(key) {
                    Wish::Nothing => {}
                    Wish::Leave => return Ok(()),
                    Wish::Ask(request) => view.answered(line.ask(&request)),
                },
                Event::Paste(text) => view.paste(&text),
                Event::Resize(..) => view.touch(),
                _ => {}
            }
        }
    }
    Ok(())
}

fn take(view: &mut View, said: &mut Receiver<Said>, line: &Line) {
    while let Ok(one) = said.try_recv() {
        if view.take(one).is_err() {
            *said = line.listen();
            view.listen_anew();
        }
    }
}
