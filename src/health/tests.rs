use super::*;
use crate::defs::SourceText;
use crate::frame::word_of;
use proptest::prelude::*;

const HOUR_11_US: i64 = 11 * HOUR_US;
const MS: i64 = 1_000;
const S: i64 = 1_000_000;

fn definitions() -> Definitions {
    let text = r#"
        format = 1
        [bus.traction]
        protocol = "j1939"
        bitrate = 250_000
        [bus.body]
        protocol = "plain"
        bitrate = 500_000
        fd_bitrate = 2_000_000
        [[message]]
        name = "line_input"
        bus = "traction"
        pgn = 65_301
        source = 0x27
        period = "100ms"
        signal = [ { name = "line_voltage", lsb = "1.1", bits = 16 } ]
        example = [ { data = "70 17 FF FF FF FF FF FF", expect = { line_voltage = 6000 } } ]
        [[message]]
        name = "motor"
        bus = "traction"
        pgn = 65_302
        period = "100ms"
        signal = [ { name = "current", lsb = "1.1", bits = 16 } ]
        example = [ { data = "70 17 FF FF FF FF FF FF", expect = { current = 6000 } } ]
        [[message]]
        name = "doors"
        bus = "body"
        id = 0x18F
        signal = [ { name = "open", lsb = "1.1", bits = 1 } ]
        example = [ { data = "01", expect = { open = true } } ]
    "#;
    let source = SourceText { name: "set.toml".into(), text: text.into() };
    Definitions::from_texts("set".into(), vec![source]).unwrap()
}

/// Feeds frames of the definitions above.
struct Bench {
    defs: Definitions,
    health: Health,
}

impl Bench {
    fn new() -> Self {
        let defs = definitions();
        let health = Health::new(&defs);
        Self { defs, health }
    }

    fn bus(&self, name: &str) -> usize {
        self.defs.bus(name).unwrap()
    }

    fn frame(&mut self, time_us: i64, bus: &str, message: Option<&str>, id: CanId, meta: Meta, word: u64) {
        let message = message.and_then(|name| self.defs.message(name));
        let heard = Heard { time_us, bus: self.bus(bus), message, id, meta, payload: Payload::Word(word) };
        self.health.frame(&heard);
    }

    fn line_input(&mut self, time_us: i64) {
        self.frame(time_us, "traction", Some("line_input"), CanId::extended(0x18FF_1527), Meta::data(0, 8), u64::MAX);
    }

    fn unknown(&mut self, time_us: i64) {
        self.frame(time_us, "traction", None, CanId::extended(0x18FF_0001), Meta::data(0, 8), 0x5555_5555_5555_5555);
    }

    fn rows_of(&mut self, name: &str) -> (Vec<BusRow>, Vec<MessageRow>) {
        let rows = self.health.take_rows();
        let message = self.defs.message(name);
        (rows.buses, rows.messages.into_iter().filter(|row| Some(row.message) == message).collect())
    }
}

#[test]
fn nothing_heard_gives_no_row() {
    assert_eq!(Bench::new().health.take_rows(), Rows::default());
}

#[test]
fn load_is_bits_over_recorded_time_and_its_peak_that_of_a_second() {
    let mut bench = Bench::new();
    // Ten frames in the first second, one in each of the next nine.
    for step in 0..10 {
        bench.unknown(HOUR_11_US + step * 100 * MS);
    }
    for second in 1..10 {
        bench.unknown(HOUR_11_US + second * S + 900 * MS - second * 100 * MS);
    }
    let meta = Meta::data(0, 8);
    let payload = Payload::Word(0x5555_5555_5555_5555);
    let each = u64::from(wire_bits(CanId::extended(0x18FF_0001), meta, payload).total());
    let (buses, _) = bench.rows_of("line_input");
    let [row] = &buses[..] else { panic!("one row") };
    assert_eq!((row.frames, row.unknown_frames, row.bits), (19, 19, 19 * each));
    assert_eq!((row.first_us, row.last_us), (HOUR_11_US, HOUR_11_US + 9 * S));
    assert_eq!(row.recorded_us, 9 * S);
    assert_eq!(row.busy_us, 19 * each * 4);
    let mean = 19.0 * each as f64 / 250_000.0 / 9.0 * 100.0;
    assert!((row.load_percent().unwrap() - mean).abs() < 1e-9);
    assert!((row.load_percent_peak - 10.0 * each as f64 / 2_500.0).abs() < 1e-9);
}

#[test]
fn a_frame_that_switches_its_bit_rate_is_busy_by_both() {
    let mut bench = Bench::new();
    let (id, bytes) = (CanId::standard(0x18F), [0x55; 64]);
    let meta = Meta::new(0, Kind::Fd, crate::frame::FLAG_BRS, 64, 0);
    let payload = Payload::Long(&bytes);
    let bits = wire_bits(id, meta, payload);
    let (bus, message) = (bench.bus("body"), None);
    bench.health.frame(&Heard { time_us: HOUR_11_US, bus, message, id, meta, payload });
    let (buses, _) = bench.rows_of("doors");
    assert_eq!(buses[0].bits, u64::from(bits.total()));
    assert_eq!(buses[0].busy_us, u64::from(bits.nominal) * 2 + u64::from(bits.data_phase) / 2);
    assert_eq!(buses[0].load_percent(), None, "one frame makes no recorded time");
}

#[test]
fn a_silence_is_counted_and_is_no_recorded_time() {
    let mut bench = Bench::new();
    for time_us in [0, S, S + 1, 2 * S + 1, 4 * S, 10 * S] {
        bench.unknown(HOUR_11_US + time_us);
    }
    let (buses, _) = bench.rows_of("line_input");
    assert_eq!((buses[0].silences, buses[0].silence_us_max), (2, 6 * S));
    assert_eq!(buses[0].recorded_us, 2 * S + 1);
}

#[test]
fn an_hour_border_divides_recorded_time() {
    let mut bench = Bench::new();
    let border_us = HOUR_11_US + HOUR_US;
    for time_us in [border_us - 500 * MS, border_us - 100 * MS, border_us + 300 * MS, border_us + 400 * MS] {
        bench.unknown(time_us);
    }
    let (buses, _) = bench.rows_of("line_input");
    let got: Vec<_> = buses.iter().map(|row| (row.hour_start_us, row.frames, row.recorded_us)).collect();
    assert_eq!(got, [(HOUR_11_US, 2, 500 * MS), (border_us, 2, 400 * MS)]);
    assert_eq!((buses[0].last_us, buses[1].first_us), (border_us - 100 * MS, border_us + 300 * MS));
}

#[test]
fn hours_in_which_nothing_came_have_no_row() {
    let mut bench = Bench::new();
    bench.unknown(HOUR_11_US);
    bench.unknown(HOUR_11_US + 5 * HOUR_US);
    let (buses, _) = bench.rows_of("line_input");
    let hours: Vec<_> = buses.iter().map(|row| (row.hour_start_us, row.silences)).collect();
    assert_eq!(hours, [(HOUR_11_US, 0), (HOUR_11_US + 5 * HOUR_US, 1)]);
}

#[test]
fn a_lost_frame_is_missing_and_a_late_one_is_not() {
    let mut bench = Bench::new();
    for tenth in [0, 1, 2, 4, 5] {
        bench.line_input(HOUR_11_US + tenth * 100 * MS);
    }
    bench.line_input(HOUR_11_US + 640 * MS);
    bench.line_input(HOUR_11_US + 720 * MS);
    let (_, messages) = bench.rows_of("line_input");
    let [row] = &messages[..] else { panic!("one row") };
    assert_eq!((row.frames, row.missing, row.interval_us_max), (7, 1, 200 * MS));
    // Intervals of 100, 100, 100, 140 and 80 ms; the one that lacks a frame is no jitter.
    assert_eq!((row.timely_intervals, row.jitter_us()), (5, Some(12_000.0)));
}

#[test]
fn half_a_period_of_grace_is_given_at_every_count() {
    for (interval_ms, missing) in [(150, 0), (151, 1), (200, 1), (250, 1), (251, 2), (300, 2), (900, 8)] {
        let mut bench = Bench::new();
        bench.line_input(HOUR_11_US);
        bench.line_input(HOUR_11_US + interval_ms * MS);
        assert_eq!(bench.rows_of("line_input").1[0].missing, missing, "{interval_ms} ms");
    }
}

#[test]
fn a_message_that_falls_silent_for_good_goes_on_missing() {
    let mut bench = Bench::new();
    let start_us = HOUR_11_US + HOUR_US - 10 * S;
    bench.line_input(start_us);
    for tenth in 1..=200 {
        bench.unknown(start_us + tenth * 100 * MS);
    }
    let (_, messages) = bench.rows_of("line_input");
    let got: Vec<_> = messages.iter().map(|row| (row.hour_start_us, row.frames, row.missing)).collect();
    assert_eq!(got, [(HOUR_11_US, 1, 99), (HOUR_11_US + HOUR_US, 0, 100)]);
}

#[test]
fn silence_of_the_whole_bus_is_not_the_messages_fault() {
    let mut bench = Bench::new();
    bench.line_input(HOUR_11_US);
    bench.line_input(HOUR_11_US + 100 * MS);
    bench.line_input(HOUR_11_US + 60 * S);
    bench.line_input(HOUR_11_US + 60 * S + 100 * MS);
    let (_, messages) = bench.rows_of("line_input");
    assert_eq!((messages[0].frames, messages[0].missing, messages[0].interval_us_max), (4, 0, 100 * MS));
}

#[test]
fn frames_missing_around_a_silence_are_counted() {
    let mut bench = Bench::new();
    bench.line_input(HOUR_11_US);
    for tenth in 1..=5 {
        bench.unknown(HOUR_11_US + tenth * 100 * MS);
    }
    for tenth in 0..5 {
        bench.unknown(HOUR_11_US + 60 * S + tenth * 100 * MS);
    }
    bench.line_input(HOUR_11_US + 60 * S + 500 * MS);
    assert_eq!(bench.rows_of("line_input").1[0].missing, 4 + 4);
}

#[test]
fn a_message_that_never_came_is_not_missed() {
    let mut bench = Bench::new();
    for second in 0..100 {
        bench.unknown(HOUR_11_US + second * S / 2);
    }
    assert_eq!(bench.rows_of("line_input").1, []);
}

#[test]
fn sources_of_one_group_are_watched_apart() {
    let mut bench = Bench::new();
    for tenth in 0..10_i64 {
        for source in [0x10, 0x11] {
            if source == 0x11 && tenth == 5 {
                continue;
            }
            let time_us = HOUR_11_US + tenth * 100 * MS + i64::from(source);
            let id = CanId::extended(0x18FF_1600 | source);
            bench.frame(time_us, "traction", Some("motor"), id, Meta::data(0, 8), u64::MAX);
        }
    }
    let (_, messages) = bench.rows_of("motor");
    let got: Vec<_> = messages.iter().map(|row| (row.source, row.frames, row.missing)).collect();
    assert_eq!(got, [(Some(0x10), 10, 0), (Some(0x11), 9, 1)]);
}

#[test]
fn across_a_cut_there_is_no_silence_and_nothing_missing() {
    let mut bench = Bench::new();
    bench.line_input(HOUR_11_US);
    bench.line_input(HOUR_11_US + 100 * MS);
    bench.health.cut();
    bench.line_input(HOUR_11_US + 60 * S);
    bench.line_input(HOUR_11_US + 60 * S + 100 * MS);
    let (buses, messages) = bench.rows_of("line_input");
    assert_eq!((buses[0].silences, buses[0].recorded_us, buses[0].frames), (0, 200 * MS, 4));
    assert_eq!((messages[0].missing, messages[0].interval_us_max), (0, 100 * MS));
}

#[test]
fn a_step_back_is_counted_with_its_size() {
    let mut bench = Bench::new();
    for time_us in [0, 100 * MS, 200 * MS, 50 * MS, 150 * MS, 100 * MS] {
        bench.line_input(HOUR_11_US + time_us);
    }
    let (buses, messages) = bench.rows_of("line_input");
    assert_eq!((buses[0].steps_back, buses[0].step_back_us_max), (2, 150 * MS));
    assert_eq!((buses[0].first_us, buses[0].last_us), (HOUR_11_US, HOUR_11_US + 200 * MS));
    assert_eq!((buses[0].recorded_us, messages[0].missing), (300 * MS, 0));
}

#[test]
fn error_and_remote_frames_are_counted_by_what_they_are() {
    let mut bench = Bench::new();
    let error = Meta::new(0, Kind::Error, 0, 8, 0);
    let mut frame = |at: i64, id: u32, meta: Meta, bytes: [u8; 8]| {
        bench.frame(HOUR_11_US + at, "traction", None, CanId(id), meta, word_of(&bytes));
    };
    frame(0, CanId::ERROR | 0x004, error, [0, 0x01, 0, 0, 0, 0, 0, 0]);
    frame(1, CanId::ERROR | 0x204, error, [0, 0x30, 0, 0, 0, 0, 130, 131]);
    frame(2, CanId::ERROR | 0x0A8, error, [0, 0xFF, 0x04, 0, 0, 0, 0, 0]);
    frame(3, CanId::ERROR | 0x140, error, [0; 8]);
    frame(4, CanId::REMOTE | 0x123, Meta::new(0, Kind::Remote, 0, 8, 0), [0; 8]);
    let (buses, _) = bench.rows_of("line_input");
    let row = &buses[0];
    assert_eq!((row.frames, row.remote_frames, row.unknown_frames, row.error_frames), (1, 1, 0, 4));
    let expected = ErrorClasses {
        controller: 2,
        overflow: 1,
        passive: 1,
        protocol: 1,
        no_acknowledge: 1,
        bus_error: 1,
        bus_off: 1,
        restarted: 1,
        ..ErrorClasses::default()
    };
    assert_eq!(row.errors, expected);
}

#[test]
fn a_clock_that_jumps_for_ever_fills_a_bounded_room() {
    let mut bench = Bench::new();
    for step in 0..200_000_i64 {
        bench.line_input((step * 7_919 % 200_000) * HOUR_US);
    }
    let rows = bench.health.take_rows();
    assert!(rows.buses.len() <= 1 << 16 && rows.messages.len() <= 1 << 17);
    assert!(rows.lost_rows > 0);
}

#[test]
fn a_flood_of_sources_is_watched_up_to_a_bound() {
    let mut text = String::from("format = 1\n[bus.b]\nprotocol = \"j1939\"\nbitrate = 250_000\n");
    for index in 0..70 {
        text += &format!(
            "[[message]]\nname = \"m{index}\"\nbus = \"b\"\npgn = {}\nperiod = \"1s\"\n\
             signal = [ {{ name = \"s\", lsb = \"1.1\", bits = 8 }} ]\n\
             example = [ {{ data = \"01 FF FF FF FF FF FF FF\", expect = {{ s = 1 }} }} ]\n",
            65_280 + index
        );
    }
    let source = SourceText { name: "set.toml".into(), text };
    let defs = Definitions::from_texts("set".into(), vec![source]).unwrap();
    let mut health = Health::new(&defs);
    for message in 0..70 {
        for source in 0..=255 {
            let id = CanId::extended(0x18FF_0000 | (message as u32) << 8 | source);
            let (meta, payload) = (Meta::data(0, 8), Payload::Word(0));
            health.frame(&Heard { time_us: 0, bus: 0, message: Some(message), id, meta, payload });
        }
    }
    let rows = health.take_rows();
    assert_eq!((rows.messages.len(), rows.unwatched_frames), (SENDERS_MAX, 6 * 256));
}

proptest! {
    #[test]
    fn rows_taken_in_pieces_add_up_to_rows_taken_at_once(
        steps in proptest::collection::vec((0..5_u8, 0..400_000_i64, any::<bool>()), 1..200),
    ) {
        let (mut whole, mut pieces) = (Bench::new(), Bench::new());
        let mut taken = Rows::default();
        let mut time_us = HOUR_11_US + HOUR_US - 20 * S;
        for (what, step_us, take) in steps {
            time_us += match what { 0 => step_us * 10, 1 => -step_us / 10, _ => step_us };
            for bench in [&mut whole, &mut pieces] {
                if what == 2 { bench.unknown(time_us) } else { bench.line_input(time_us) }
            }
            if take {
                let rows = pieces.health.take_rows();
                taken.buses.extend(rows.buses);
                taken.messages.extend(rows.messages);
            }
        }
        let rows = pieces.health.take_rows();
        let mut closed = Closed::default();
        for row in taken.buses.into_iter().chain(rows.buses) {
            closed.push_bus(row);
        }
        for row in taken.messages.into_iter().chain(rows.messages) {
            closed.push_message(row);
        }
        let mut pieces = closed.take();
        let mut whole = whole.health.take_rows();
        for row in pieces.buses.iter_mut().chain(&mut whole.buses) {
            // Each piece rounds its bits to whole microseconds.
            row.busy_us /= 1_000;
            prop_assert!(row.frames > 0);
        }
        for (piece, row) in pieces.buses.iter_mut().zip(&whole.buses) {
            prop_assert!(piece.busy_us.abs_diff(row.busy_us) <= 1);
            piece.busy_us = row.busy_us;
        }
        prop_assert_eq!(pieces, whole);
    }

    #[test]
    fn no_order_of_times_panics(
        frames in proptest::collection::vec((any::<i64>(), 0..4_usize, 0..5_usize, any::<u32>(), any::<u8>(), any::<u8>()), 0..60),
    ) {
        let mut bench = Bench::new();
        for (time_us, bus, message, id, marks, len) in frames {
            let meta = Meta { channel: 0, marks, len };
            let message = (message < 4).then_some(message);
            bench.health.frame(&Heard { time_us, bus, message, id: CanId(id), meta, payload: Payload::Word(u64::MAX) });
        }
        bench.health.cut();
        let rows = bench.health.take_rows();
        prop_assert!(rows.buses.iter().all(|row| row.first_us <= row.last_us));
    }
}

/// `cargo test --release --lib health::tests::how_fast -- --ignored --nocapture`
#[test]
#[ignore = "a measurement, not a check"]
fn how_fast() {
    for (name, mask) in [("payloads that change", u64::MAX), ("payloads that repeat", 0)] {
        let mut bench = Bench::new();
        let message = bench.defs.message("line_input");
        let frames = 20_000_000_i64;
        let mut random = 0x9E37_79B9_7F4A_7C15_u64;
        let start = std::time::Instant::now();
        for step in 0..frames {
            random ^= random << 13;
            random ^= random >> 7;
            random ^= random << 17;
            bench.health.frame(&Heard {
                time_us: HOUR_11_US + step * 700,
                bus: 0,
                message,
                id: CanId::extended(0x18FF_1527),
                meta: Meta::data(0, 8),
                payload: Payload::Word(random & mask | 0xFFFF_0000_0000_0000),
            });
        }
        let each_ns = start.elapsed().as_nanos() as f64 / frames as f64;
        println!("{name}: {each_ns:.1} ns a frame, {} rows", bench.health.take_rows().buses.len());
    }
}

/// What comes of a block must be what comes of its frames one by one, whatever shortcuts it takes.
#[test]
fn a_block_gives_the_rows_of_its_frames() {
    proptest!(|(
        steps in proptest::collection::vec((0_u8..40, 0_i64..30 * MS, 0_usize..6, any::<u64>()), 1..300),
        repeats in 1_usize..60,
    )| {
        let defs = definitions();
        let messages = [("line_input", 0x98FF_1527), ("motor", 0x98FF_1627), ("motor", 0x98FF_1633), ("doors", 0x18F)];
        let mut block = FrameBlock::default();
        let mut routes = Vec::new();
        let mut time_us = HOUR_11_US;
        for (jump, step_us, which, word) in steps.iter().cycle().take(steps.len() * repeats) {
            time_us += match jump {
                0 => -500 * MS,
                1 => 3 * S,
                _ => *step_us,
            };
            let (kind, id, channel) = match which {
                4 => (Kind::Remote, 0x18F, 1),
                5 => (Kind::Data, 0x123, 0),
                which => (Kind::Data, messages[*which].1, u16::from(*which == 3)),
            };
            let known = (*which < 4).then(|| defs.message(messages[*which].0).unwrap());
            routes.push(known.unwrap_or(defs.messages.len()) as u32);
            block.time_us.push(time_us);
            block.id.push(CanId(id));
            block.meta.push(Meta::new(channel, kind, 0, 8, 0));
            block.data.push(*word);
        }
        let buses = [defs.bus("traction"), defs.bus("body")];
        let (mut at_once, mut singly) = (Health::new(&defs), Health::new(&defs));
        at_once.frames(&block, &routes, &buses, 0..block.len());
        for index in 0..block.len() {
            let route = routes[index] as usize;
            singly.frame(&Heard {
                time_us: block.time_us[index],
                bus: buses[usize::from(block.meta[index].channel)].unwrap(),
                message: (route < defs.messages.len()).then_some(route),
                id: block.id[index],
                meta: block.meta[index],
                payload: Payload::Word(block.data[index]),
            });
        }
        let (at_once, singly) = (at_once.take_rows(), singly.take_rows());
        prop_assert_eq!(at_once.buses, singly.buses);
        prop_assert_eq!(at_once.messages, singly.messages);
    });
}
