use std::sync::Arc;

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

use super::draw::draw;
use super::line::{Line, LineError, Request, Said};
use super::view::{View, Wish};
use crate::board::{Board, Identity};
use crate::defs::Definitions;
use crate::frame::{CanId, Frame, FrameBlock};

fn board() -> Board {
    let defs = Definitions::load(std::path::Path::new("signal-defs/velmora")).unwrap();
    let channels = [defs.bus("traction"), defs.bus("body")];
    Board::new("bay-1", Arc::new(defs), &channels, Identity::default(), 1)
}

/// The line input's contactor closed or not.
fn line_input(board: &mut Board, time_ms: i64, closed: bool) {
    let bytes = [0x17, 0x19, 0x95, 0x79, 0x00, 0x19, if closed { 0xC5 } else { 0xC1 }, 0xF2];
    let mut block = FrameBlock::default();
    block.push(&Frame::data(time_ms * 1000, 0, CanId::extended(0x18FF_1527), &bytes));
    board.frames(&block);
}

fn view(board: &Board) -> View {
    let mut view = View::new("http://127.0.0.1:8750", "Ada", false);
    view.take(Said::Update(Box::new(board.since(0)))).unwrap();
    view
}

fn screen(view: &mut View, width: u16, height: u16) -> Vec<String> {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| draw(frame, view)).unwrap();
    let buffer = terminal.backend().buffer();
    (0..height).map(|y| (0..width).map(|x| buffer[(x, y)].symbol()).collect()).collect()
}

fn press(view: &mut View, keys: &str) -> Wish {
    keys.chars()
        .map(|key| {
            let code = match key {
                '\n' => KeyCode::Enter,
                '\x1b' => KeyCode::Esc,
                '\t' => KeyCode::Tab,
                key => KeyCode::Char(key),
            };
            view.key(KeyEvent::new(code, KeyModifiers::NONE))
        })
        .last()
        .unwrap()
}

#[test]
fn changed_and_stale_are_told_without_colour() {
    let mut board = board();
    line_input(&mut board, 0, true);
    line_input(&mut board, 50, false);
    line_input(&mut board, 90, true);
    board.tick(1_000_000);
    let mut view = view(&board);
    press(&mut view, "/contactor_feedback\n");
    let screen = screen(&mut view, 120, 24);
    let line = screen.iter().find(|line| line.contains("line_input.contactor_feedback")).unwrap();
    for part in ["▶◆", "stale: yes (2×, was yes)", "00:00:00.090", " 2 ", "yes, no"] {
        assert!(line.contains(part), "{part:?} is missing in {line}");
    }
    assert!(screen.iter().any(|line| line.contains("never switches anything")));
}

#[test]
fn a_screen_of_any_size_is_drawn() {
    let mut board = board();
    line_input(&mut board, 0, true);
    let mut view = view(&board);
    for (width, height) in [(1, 1), (2, 30), (200, 1), (20, 5), (40, 10), (80, 24), (300, 100)] {
        screen(&mut view, width, height);
        press(&mut view, "jjjjjjjjjjjjjjjjjjjjjjjjj");
    }
    let small = screen(&mut view, 60, 10);
    assert!(small.iter().any(|line| line.contains("Never says that equipment is safe")), "{small:?}");
}

#[test]
fn keys_filter_mark_and_acknowledge() {
    let mut board = board();
    line_input(&mut board, 0, true);
    line_input(&mut board, 50, false);
    let mut view = view(&board);
    press(&mut view, "\t");
    assert_eq!(view.rows.len(), 1, "only what changed is shown");
    let Wish::Ask(Request::Acknowledge { rows, generation: 1, sequence, .. }) = press(&mut view, " ") else {
        panic!("nothing is asked for")
    };
    assert_eq!(board.acknowledge(Some(&rows), sequence), 1);
    let last = view.known.last.as_ref().unwrap().sequence;
    view.take(Said::Update(Box::new(board.since(last)))).unwrap();
    assert_eq!(view.rows.len(), 1, "nothing moves away under a finger");
    assert_eq!(press(&mut view, "a"), Wish::Nothing, "nothing is left to be acknowledged");
    let mark = Request::Mark { tap: "bay-1".into(), note: "quick / door".into(), who: "Ada".into() };
    assert_eq!(press(&mut view, "mquick / door\n"), Wish::Ask(mark));
    assert_eq!(press(&mut view, "/door\x1b\x1b"), Wish::Leave);
    assert_eq!(press(&mut view, "q"), Wish::Leave);
}

#[test]
fn an_address_that_is_none_is_told() {
    for at in ["127.0.0.1:8750", "http://", "ftp://x", "http://x/y", "http://a@b"] {
        let error = Line::new(at, None).unwrap_err();
        assert!(matches!(error, LineError::Address(_)) && error.to_string().contains("http://127.0.0.1:8750"), "{at}");
    }
    assert_eq!(Line::new("http://yard:8750/", None).unwrap().place(), "http://yard:8750");
}

#[test]
fn where_nothing_listens_the_error_says_what_helps() {
    // A port that was free a moment ago.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let error = Line::new(&format!("http://127.0.0.1:{port}"), None).unwrap().status().unwrap_err().to_string();
    assert!(error.contains("nothing answers") && error.contains("yardtap gateway"), "{error}");
}
