use std::sync::Arc;

use super::*;
use crate::defs::SourceText;
use crate::frame::Frame;

const TEXT: &str = r#"
format = 1
[bus.b]
protocol = "j1939"
bitrate = 250_000

[[module]]
bus = "b"
source = 0x27
name = "line input unit"

[[message]]
name = "line_input"
bus = "b"
pgn = 65_301
source = 0x27
period = "100ms"
  [[message.signal]]
  name = "voltage"
  lsb = "1.1"
  bits = 16
  scale = 0.1
  unit = "V"
  plausible = [0, 1000]
  unavailable = "j1939"
  [[message.signal]]
  name = "closed"
  lsb = "3.1"
  bits = 2
  as = "flag"
  [[message.signal]]
  name = "state"
  lsb = "4.1"
  bits = 4
  labels = { 0 = "open", 1 = "charging", 2 = "closed" }
  [[message.example]]
  data = "70 17 00 00 FF FF FF FF"
  expect = { voltage = 600 }

[[message]]
name = "lamp"
bus = "b"
pgn = 65_310
  [[message.signal]]
  name = "on"
  lsb = "1.1"
  bits = 2
  as = "flag"
  [[message.example]]
  data = "FD FF FF FF FF FF FF FF"
  expect = { on = true }

[[message]]
name = "fleet"
bus = "b"
id = 0x7A0
  [[message.signal]]
  name = "number"
  lsb = "1.1"
  bits = 16
  fleet_number = true
  [[message.example]]
  data = "CC 00 00 00 00 00 00 00"
  expect = { number = 204 }

[[message]]
name = "paged"
bus = "b"
id = 0x7B0
period = "100ms"
  [[message.signal]]
  name = "page"
  lsb = "1.1"
  bits = 8
  [[message.signal]]
  name = "first"
  lsb = "2.1"
  bits = 8
  when = { selector = "page", is = 1 }
  [[message.signal]]
  name = "second"
  lsb = "2.1"
  bits = 8
  when = { selector = "page", is = 2 }
  [[message.example]]
  data = "01 05 00 00 00 00 00 00"
  expect = { first = 5 }
"#;

const LINE: u32 = 0x18FF1527;

fn board() -> Board {
    let source = SourceText { name: "set.toml".into(), text: TEXT.into() };
    let defs = Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"));
    Board::new("bay", Arc::new(defs), &[Some(0)], Identity::default(), 1)
}

impl Board {
    fn hear(&mut self, time_ms: i64, id: u32, bytes: &[u8]) {
        let id = if id > 0x7FF { CanId::extended(id) } else { CanId::standard(id) };
        let mut block = FrameBlock::default();
        block.push(&Frame::data(time_ms * 1000, 0, id, bytes));
        self.frames(&block);
    }

    /// Voltage 600 V, contactor closed or not, state.
    fn line(&mut self, time_ms: i64, closed: u8, state: u8) {
        self.hear(time_ms, LINE, &[0x70, 0x17, 0xFC | closed, 0xF0 | state, 0xFF, 0xFF, 0xFF, 0xFF]);
    }

    fn volts(&mut self, time_ms: i64, raw: u16) {
        let [low, high] = raw.to_le_bytes();
        self.hear(time_ms, LINE, &[low, high, 0xFD, 0xF2, 0xFF, 0xFF, 0xFF, 0xFF]);
    }

    fn row(&self, name: &str) -> Row {
        let whole = self.since(0);
        let at = whole.heads.iter().position(|head| head.signal == name).unwrap();
        whole.rows.iter().find(|row| row.row as usize == at).unwrap().clone()
    }
}

#[test]
fn every_signal_has_a_row_before_it_is_heard() {
    let whole = board().since(0);
    let names: Vec<String> = whole.heads.iter().map(|head| format!("{}.{}", head.message, head.signal)).collect();
    let expected = [
        "line_input.voltage",
        "line_input.closed",
        "line_input.state",
        "fleet.number",
        "paged.page",
        "paged.first",
        "paged.second",
    ];
    assert_eq!(names, expected, "of a message from any source nothing is known before it comes");
    assert!(whole.rows.iter().all(|row| row.state == State::Unheard && row.text.is_empty() && row.changed_us == 0));
    assert_eq!(whole.heads[0].module, "line input unit");
}

#[test]
fn a_change_there_and_back_within_one_update_stays_marked() {
    let mut board = board();
    board.line(0, 1, 2);
    let seen = board.since(0).sequence;
    let mut block = FrameBlock::default();
    for (ms, closed) in [(100, 1), (120, 0), (140, 1), (200, 1)] {
        let bytes = [0x70, 0x17, 0xFC | closed, 0xF2, 0xFF, 0xFF, 0xFF, 0xFF];
        block.push(&Frame::data(ms * 1000, 0, CanId::extended(LINE), &bytes));
    }
    board.frames(&block);
    let update = board.since(seen);
    assert_eq!(update.rows.len(), 1, "{:?}", update.rows);
    let row = &update.rows[0];
    assert_eq!((row.text.as_str(), row.changes, row.changed_us), ("yes", 2, 140_000));
    assert_eq!(row.seen, ["yes", "no"]);
    let expected = Unacknowledged { was: "yes".into(), first_us: 120_000, last_us: 140_000, times: 2 };
    assert_eq!(row.marked, Some(expected));
    board.tick(250_000);
    board.line(300, 1, 2);
    assert!(board.row("closed").marked.is_some(), "it stays until it is acknowledged");
    assert_eq!(board.acknowledge(None, board.sequence()), 1);
    assert!(board.row("closed").marked.is_none());
}

#[test]
fn a_change_that_was_not_yet_seen_is_not_acknowledged() {
    let mut board = board();
    board.line(0, 1, 2);
    board.line(100, 0, 2);
    let seen = board.since(0).sequence;
    board.line(200, 1, 2);
    assert_eq!(board.acknowledge(None, seen), 0);
    assert!(board.row("closed").marked.is_some());
    let row = board.row("closed").row;
    assert_eq!(board.acknowledge(Some(&[row, 4_000_000_000]), board.sequence()), 1);
}

#[test]
fn measured_values_are_marked_only_where_they_stop_being_values() {
    let mut board = board();
    board.volts(0, 6000);
    board.volts(100, 6100);
    assert_eq!(board.row("voltage").marked, None);
    for (ms, raw, state) in
        [(200, 0xFFFF, State::Unavailable), (300, 0xFE00, State::Error), (400, 20_000, State::Implausible)]
    {
        board.volts(ms, raw);
        let row = board.row("voltage");
        assert_eq!(row.state, state);
        assert_eq!(row.text, if state == State::Implausible { "2000.0" } else { "" });
    }
    board.volts(500, 5500);
    let row = board.row("voltage");
    assert_eq!((row.text.as_str(), row.changes), ("550.0", 5));
    assert_eq!(row.seen, ["550.0", "610.0"], "only what can be believed is lowest or highest");
    let marked = row.marked.unwrap();
    assert_eq!((marked.was.as_str(), marked.times, marked.first_us), ("610.0", 4, 200_000));
}

#[test]
fn not_available_in_another_pattern_is_no_change() {
    let mut board = board();
    board.volts(0, 0xFF00);
    board.volts(100, 0xFFFF);
    assert_eq!((board.row("voltage").state, board.row("voltage").changes), (State::Unavailable, 0));
}

#[test]
fn a_mark_begins_lowest_highest_and_changes_anew() {
    let mut board = board();
    board.volts(0, 100);
    board.volts(100, 9000);
    board.volts(200, 6000);
    assert_eq!(board.row("voltage").seen, ["10.0", "900.0"]);
    let before = board.sequence();
    let mark = board.mark("switched the heater on".into(), String::new());
    assert_eq!((mark.time_us, mark.tap.as_str()), (200_000, "bay"));
    let row = board.row("voltage");
    assert_eq!((row.seen, row.changes), (vec!["600.0".to_owned(); 2], 0), "what it says now counts for it");
    assert_eq!(board.since(before).mark, Some(mark));
    board.volts(300, 6100);
    assert_eq!(board.row("voltage").seen, ["600.0", "610.0"]);
}

#[test]
fn what_is_not_heard_for_three_periods_is_stale_until_it_is_heard_again() {
    let mut board = board();
    board.line(0, 1, 2);
    board.tick(300_000);
    assert!(!board.row("voltage").stale);
    let before = board.sequence();
    board.tick(300_001);
    let update = board.since(before);
    assert_eq!(
        update.rows.iter().filter(|row| row.stale && !row.text.is_empty()).count(),
        3,
        "its value stays to be read"
    );
    let before = board.sequence();
    board.line(500, 1, 2);
    let update = board.since(before);
    assert_eq!(update.rows.iter().filter(|row| !row.stale && row.lapses == 1).count(), 3);
    board.line(900, 1, 2);
    assert_eq!(board.row("voltage").lapses, 2, "a silence that nobody looked at is counted too");
}

#[test]
fn without_a_period_ten_seconds_make_stale() {
    let mut board = board();
    board.hear(0, 0x18FF1E10, &[0xFD; 8]);
    board.tick(10_000_000);
    assert!(!board.row("on").stale);
    board.tick(10_000_001);
    assert!(board.row("on").stale);
}

#[test]
fn a_clock_that_steps_back_does_not_keep_values_fresh() {
    let mut board = board();
    board.line(3_600_000, 1, 2);
    board.hear(1_000, 0x7A0, &[204, 0]);
    board.tick(1_300_001);
    assert!(board.row("voltage").stale);
}

#[test]
fn each_source_has_its_own_rows() {
    let mut board = board();
    board.hear(0, 0x18FF1E10, &[0xFD; 8]);
    let before = board.since(0);
    board.hear(100, 0x18FF1E27, &[0xFC; 8]);
    let update = board.since(before.sequence);
    assert_eq!((update.first_head, update.heads.len()), (before.heads.len(), 1));
    assert_eq!((update.heads[0].source, update.heads[0].module.as_str()), (Some(0x27), "line input unit"));
    let rows = board.since(0).rows;
    let of = |row: usize| rows.iter().find(|r| r.row as usize == row).unwrap().text.clone();
    assert_eq!((of(before.heads.len() - 1), of(before.heads.len())), ("yes".into(), "no".into()));
}

#[test]
fn a_signal_on_another_page_keeps_its_value() {
    let mut board = board();
    board.hear(0, 0x7B0, &[1, 5, 0, 0, 0, 0, 0, 0]);
    board.hear(100, 0x7B0, &[2, 9, 0, 0, 0, 0, 0, 0]);
    board.hear(200, 0x7B0, &[1, 5, 0, 0, 0, 0, 0, 0]);
    let (first, second) = (board.row("first"), board.row("second"));
    assert_eq!((first.text.as_str(), first.changes), ("5", 0));
    assert_eq!((second.text.as_str(), second.changes), ("9", 0));
    board.tick(800_000);
    assert!(board.row("page").stale && !board.row("first").stale, "two pages take turns");
    board.hear(900, 0x7B0, &[3, 7, 0, 0, 0, 0, 0, 0]);
    assert_eq!((board.row("first").text.as_str(), board.row("page").text.as_str()), ("5", "3"));
}

#[test]
fn a_short_frame_is_told() {
    let mut board = board();
    board.line(0, 1, 2);
    board.hear(100, LINE, &[0x70, 0x17]);
    assert_eq!((board.row("voltage").state, board.row("closed").state), (State::Value, State::Short));
    assert!(board.row("closed").marked.is_some());
}

#[test]
fn another_vehicle_begins_the_board_anew() {
    let mut board = board();
    board.line(0, 1, 2);
    board.hear(10, 0x7A0, &[204, 0]);
    assert_eq!((board.vehicle(), board.generation()), (Some("204"), 1));
    board.mark("before".into(), String::new());
    board.hear(20, 0x7A0, &[205, 0]);
    assert_eq!((board.vehicle(), board.generation()), (Some("205"), 2));
    assert_eq!(board.row("voltage").state, State::Unheard);
    assert_eq!(board.since(0).mark, None);
}

#[test]
fn a_flood_of_sources_is_bounded() {
    let text = "format = 1\n[bus.b]\nprotocol = \"j1939\"\nbitrate = 250_000\n".to_owned()
        + &(0..80)
            .map(|n| {
                format!(
                    "[[message]]\nname = \"m{n}\"\nbus = \"b\"\npgn = {}\n[[message.signal]]\nname = \"s\"\nlsb = \"1.1\"\nbits = 8\n\
                     [[message.example]]\ndata = \"01 00 00 00 00 00 00 00\"\nexpect = {{ s = 1 }}\n",
                    65_280 + n
                )
            })
            .collect::<String>();
    let defs = Definitions::from_texts("set".into(), vec![SourceText { name: "set.toml".into(), text }])
        .unwrap_or_else(|problems| panic!("{problems}"));
    let mut board = Board::new("bay", Arc::new(defs), &[Some(0)], Identity::default(), 1);
    for group in 0..80 {
        for source in 0..=255 {
            board.hear(i64::from(group), 0x18FF0000 + (group << 8) + source, &[1]);
        }
    }
    let whole = board.since(0);
    assert_eq!((whole.rows.len(), whole.rows_missing), (ROWS_MAX, 1));
}

#[test]
fn numbers_show_every_step_and_no_more() {
    use super::value::number;
    assert_eq!(number(-0.04, false, 1), "0.0");
    assert_eq!(number(640.25, false, 1), "640.2");
    assert_eq!(number(1.5e-9, true, 2), "1.500e-9");
    assert_eq!(number(20_481.5, true, 2), "20481.50");
    let velmora = Definitions::load(std::path::Path::new("signal-defs/velmora")).unwrap();
    for (path, raw, text) in [
        ("line_input.line_voltage", 6423, "642.3"),
        ("motion.speed", 8192, "32.000"),
        ("distance.total_distance", 7, "35"),
        ("position.latitude", 2_600_000_000, "50.0000000"),
        ("clock.day", 33, "8.25"),
        ("doors.front_door", 2, "open"),
        ("ambient.cab_temperature", 9472, "23.00"),
    ] {
        let signal = velmora.at(velmora.signal_ref(path).unwrap());
        let mut row = RowState::new(signal, 0, 1);
        row.take(Now::of(signal, raw), 0, 1);
        assert_eq!(row.told(0, signal, false, 0).text, text, "{path}");
    }
}

#[test]
fn updates_add_up_to_the_whole() {
    let mut board = board();
    let mut known = Known::default();
    known.take(board.since(0)).unwrap();
    let mut chance = 1_u64;
    for step in 0..2_000 {
        chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let [a, b, c, ..] = chance.to_be_bytes();
        match a % 8 {
            0 => board.tick(step * 50_000 + 400_000),
            1 => board.hear(step * 50, 0x18FF1E00 + u32::from(b % 5), &[c; 8]),
            2 => board.hear(step * 50, 0x7B0, &[b % 3, c % 4, 0, 0, 0, 0, 0, 0]),
            3 if b == 0 => drop(board.mark(String::new(), String::new())),
            4 if b < 20 => assert!(board.acknowledge(None, board.sequence()) < 100),
            5 => board.hear(step * 50, LINE, &[b, c % 8, b, c, 0xFF, 0xFF, 0xFF, 0xFF][..usize::from(b % 9)]),
            _ => board.line(step * 50, b % 4, c % 4),
        }
        if step % 7 == 0 {
            known.take(board.since(known.last.as_ref().unwrap().sequence)).unwrap();
        }
    }
    known.take(board.since(known.last.as_ref().unwrap().sequence)).unwrap();
    let mut whole = board.since(0);
    let json = serde_json::to_string(&whole).unwrap();
    assert_eq!(serde_json::from_str::<Update>(&json).unwrap(), whole);
    whole.rows.sort_by_key(|row| row.row);
    assert_eq!(known.heads, whole.heads);
    assert_eq!(known.rows, whole.rows);
}

#[test]
fn an_update_that_does_not_go_on_is_refused() {
    let mut board = board();
    let mut known = Known::default();
    board.line(0, 1, 2);
    let first = board.since(0);
    assert_eq!(known.take(Update { since: 1, ..first.clone() }), Err(Missed));
    known.take(first.clone()).unwrap();
    assert_eq!(known.take(Update { since: first.sequence + 1, ..first.clone() }), Err(Missed));
    assert_eq!(known.take(Update { generation: 2, since: 1, ..first.clone() }), Err(Missed));
    let mut beyond = Update { since: 1, heads: Vec::new(), ..first };
    beyond.rows[0].row = 99;
    assert_eq!(known.take(beyond), Err(Missed));
}

#[test]
fn clocks_are_the_agency_s() {
    assert_eq!(clock(86_399_999_000, 3_600, true), "00:59:59.999");
    assert_eq!(clock(1, -3_600, false), "23:00:00");
    assert_eq!(clock(0, 0, false), "");
    assert!(!clock(i64::MAX, 50_400, true).is_empty() && !clock(i64::MIN, -43_200, true).is_empty());
}
