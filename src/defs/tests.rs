use super::payload::{Given, Reading};
use super::*;

fn set(text: &str) -> Result<Definitions, Problems> {
    let source = SourceText { name: "set.toml".into(), text: text.into() };
    Definitions::from_texts("set".into(), vec![source])
}

const LINE_INPUT: &str = r#"
format = 1
[bus.traction]
protocol = "j1939"
bitrate = 250_000
[[message]]
name = "line_input"
bus = "traction"
pgn = 65_301
source = 0x27
period = "100ms"
  [[message.signal]]
  name = "line_voltage"
  lsb = "1.1"
  bits = 16
  scale = 0.1
  unit = "V"
  plausible = [0, 1000]
  unavailable = "j1939"
  [[message.signal]]
  name = "line_current"
  lsb = "3.1"
  bits = 16
  scale = 0.1
  offset = -3200
  unit = "A"
  unavailable = "j1939"
  [[message.signal]]
  name = "contactor"
  lsb = "5.1"
  bits = 2
  as = "flag"
  [[message.example]]
  data = "70 17 FF FF FF FF FF FF"
  expect = { line_voltage = 600.0, line_current = "unavailable", contactor = "unavailable" }
"#;

const RULES: &str = r#"
[run]
while = "in_use"
distance = "motion.speed"
[[condition]]
name = "in_use"
all = [ { condition = "fed" } ]
lingers = "10s"
[[condition]]
name = "fed"
all = [ { signal = "line_input.line_voltage", above = 400, back_below = 300, for = "400ms" } ]
[[counter]]
name = "line_kwh"
integral = ["line_input.line_voltage", "line_input.line_current"]
side = "positive"
unit = "kW.h"
[[message]]
name = "motion"
bus = "traction"
pgn = 65_265
  [[message.signal]]
  name = "speed"
  lsb = "2.1"
  bits = 16
  scale = 0.00390625
  unit = "km/h"
  [[message.example]]
  data = "FF 00 20 FF FF FF FF FF"
  expect = { speed = 32.0 }
"#;

#[test]
fn the_example_of_the_format_description_is_a_good_set() {
    let defs = set(&format!("{LINE_INPUT}{RULES}")).unwrap_or_else(|problems| panic!("{problems}"));
    let place = defs.signal_ref("line_input.line_voltage").unwrap();
    assert_eq!(defs.path(place), "line_input.line_voltage");
    assert!(defs.at(place).surely_reversible);
    let rules = defs.rules.as_ref().unwrap();
    assert_eq!(rules.conditions[0].name, "fed", "a condition stands behind those it rests on");
    let line = &defs.messages[0];
    let data = line.build(0xFF, &[(0, Given::Value(612.3)), (1, Given::Value(-40.0))]).unwrap();
    let Reading::Value { raw, .. } = line.read(0, &data, 8) else { panic!("a value") };
    assert_eq!(raw, 6123);
    assert_eq!(line.read(0, &data, 1), Reading::BeyondEnd);
}

/// Ranges of SAE J1939-71's table (from memory): FAFF is the last value, FB00 to FDFF are kept, FE an error, FF nothing.
#[test]
fn j1939_ranges_of_two_bytes_end_where_the_standard_says() {
    let defs = set(LINE_INPUT).unwrap();
    let volts = &defs.messages[0].signals[0];
    let why = |raw| volts.special(raw);
    assert_eq!((why(0xFAFF), why(0xFB00), why(0xFDFF)), (None, Some(Special::Reserved), Some(Special::Reserved)));
    assert_eq!((why(0xFE00), why(0xFEFF)), (Some(Special::Error), Some(Special::Error)));
    assert_eq!((why(0xFF00), why(0xFFFF)), (Some(Special::Unavailable), Some(Special::Unavailable)));
    let flag = &defs.messages[0].signals[2];
    assert_eq!(
        (flag.special(1), flag.special(2), flag.special(3)),
        (None, Some(Special::Error), Some(Special::Unavailable))
    );
}

#[test]
fn every_problem_of_a_set_is_told_at_once_with_its_place() {
    let broken = LINE_INPUT
        .replace("scale = 0.1\n  unit = \"V\"", "scale = 0.0\n  unit = \"volt\"")
        .replace("lsb = \"5.1\"", "lsb = \"4.8\"")
        .replace("bus = \"traction\"\npgn", "bus = \"tracton\"\npgn");
    let problems = set(&broken).unwrap_err();
    let text = problems.to_string();
    for part in [
        "a scale of 0",
        "UCUM writes V",
        "share bits",
        "no bus is named 'tracton'",
        "declared are: traction",
        "set.toml:8:7",
    ] {
        assert!(text.contains(part), "{part} is missing in\n{text}");
    }
}

#[test]
fn an_example_that_does_not_hold_says_what_it_decodes_to() {
    let text = set(&LINE_INPUT.replace("600.0", "601.0")).unwrap_err().to_string();
    assert!(text.contains("'line_voltage' decodes to 600 V"), "{text}");
}

#[test]
fn a_condition_may_not_rest_on_itself() {
    let circle = format!("{LINE_INPUT}{RULES}").replace(
        "all = [ { signal = \"line_input.line_voltage\", above = 400, back_below = 300, for = \"400ms\" } ]",
        "all = [ { condition = \"in_use\" } ]",
    );
    assert!(set(&circle).unwrap_err().to_string().contains("rests on itself"));
}
