//! A small vehicle for all tests, and what it says.

mod counters;
mod reference;
mod runs;
mod speed;
mod truth;

use super::*;
use crate::defs::SourceText;
use crate::defs::payload::Given;

/// Messages of a small vehicle. Those without need of staleness have a period of an hour.
const MESSAGES: &str = r#"
format = 1
[bus.traction]
protocol = "plain"
bitrate = 250_000
[[message]]
name = "key"
bus = "traction"
id = 0x100
period = "1h"
  [[message.signal]]
  name = "on"
  lsb = "1.1"
  bits = 1
  [[message.example]]
  data = "01"
  expect = { on = true }
[[message]]
name = "line"
bus = "traction"
id = 0x101
period = "100ms"
  [[message.signal]]
  name = "volts"
  lsb = "1.1"
  bits = 16
  unit = "V"
  plausible = [0, 1000]
  unavailable = [0xFFFF]
  error = [0xFFFE]
  [[message.signal]]
  name = "amperes"
  lsb = "3.1"
  bits = 16
  as = "signed"
  scale = 0.1
  unit = "A"
  [[message.example]]
  data = "58 02 F6 FF"
  expect = { volts = 600, amperes = -1.0 }
[[message]]
name = "drive"
bus = "traction"
id = 0x102
period = "1h"
  [[message.signal]]
  name = "speed"
  lsb = "2.1"
  bits = 16
  order = "big"
  scale = 0.1
  unit = "km/h"
  unavailable = [0xFFFF]
  [[message.signal]]
  name = "gear"
  lsb = "3.1"
  bits = 2
  labels = { 0 = "neutral", 1 = "forward", 2 = "reverse" }
  unavailable = [3]
  [[message.signal]]
  name = "timeouts"
  lsb = "4.1"
  bits = 8
  unavailable = [0xFF]
  [[message.signal]]
  name = "odometer"
  lsb = "5.1"
  bits = 32
  scale = 0.01
  unit = "km"
  unavailable = [0xFFFFFFFF]
  [[message.example]]
  data = "00 64 01 00 00 00 00 00"
  expect = { speed = 10, gear = "forward" }
[[message]]
name = "gnss"
bus = "traction"
id = 0x103
period = "1s"
  [[message.signal]]
  name = "latitude"
  lsb = "1.1"
  bits = 32
  as = "signed"
  scale = 1e-7
  unit = "deg"
  [[message.signal]]
  name = "longitude"
  lsb = "5.1"
  bits = 32
  as = "signed"
  scale = 1e-7
  unit = "deg"
  [[message.example]]
  data = "00 00 00 00 00 00 00 00"
  expect = { latitude = 0.0 }
[[message]]
name = "cells"
bus = "traction"
id = 0x104
period = "100ms"
  [[message.signal]]
  name = "module"
  lsb = "1.1"
  bits = 8
  [[message.signal]]
  name = "hottest"
  lsb = "2.1"
  bits = 8
  unit = "1"
  when = { selector = "module", is = 1 }
  [[message.signal]]
  name = "coldest"
  lsb = "2.1"
  bits = 8
  unit = "1"
  when = { selector = "module", is = [2, 3] }
  [[message.example]]
  data = "01 20"
  expect = { hottest = 32 }
[[message]]
name = "inverter"
bus = "traction"
id = 0x105
length = 16
period = "1h"
  [[message.signal]]
  name = "celsius"
  lsb = "12.1"
  bits = 32
  as = "float"
  unit = "Cel"
  [[message.example]]
  data = "00 00 00 00 00 00 00 00 00 00 00 00 00 20 41 00"
  expect = { celsius = 10.0 }
"#;

const RUN: &str = r#"
[run]
while = "in_use"
ends_after = "2s"
gap = "1min"
shortest = "1ms"
distance = "drive.speed"
position = ["gnss.latitude", "gnss.longitude"]
[[condition]]
name = "in_use"
all = [ { signal = "key.on", is = true } ]
"#;

/// The small vehicle under some rules; times in milliseconds.
struct Bench {
    defs: Definitions,
    engine: Engine,
}

/// One run's counters by name.
struct Outcome<'a> {
    defs: &'a Definitions,
    row: RunRow,
}

impl Bench {
    /// Conditions and counters beside `in_use`, which follows the key.
    fn new(rules: &str) -> Self {
        Self::with(&format!("{MESSAGES}{RUN}{rules}"), &[])
    }

    fn with(text: &str, places: &[Place]) -> Self {
        let source = SourceText { name: "set.toml".into(), text: text.into() };
        let defs = Definitions::from_texts("set".into(), vec![source]).unwrap_or_else(|problems| panic!("{problems}"));
        let engine = Engine::new(&defs, places).unwrap();
        Self { defs, engine }
    }

    /// A frame whose other signals are zero.
    fn say(&mut self, at_ms: i64, message: &str, values: &[(&str, f64)]) {
        let index = self.defs.message(message).unwrap();
        let message = &self.defs.messages[index];
        let given: Vec<_> =
            values.iter().map(|(name, value)| (message.signal(name).unwrap(), Given::Value(*value))).collect();
        let data = message.build(0, &given).unwrap();
        let len = message.length;
        self.bytes(at_ms, index, &data[..usize::from(len)]);
    }

    fn bytes(&mut self, at_ms: i64, message: usize, bytes: &[u8]) {
        let mut data = [0; 64];
        data[..bytes.len()].copy_from_slice(bytes);
        if bytes.len() > 8 {
            self.engine.long_frame(at_ms * 1000, message, &data, bytes.len() as u8);
        } else {
            self.engine.frame(at_ms * 1000, message, crate::frame::word_of(bytes), bytes.len() as u8);
        }
    }

    fn key(&mut self, at_ms: i64, on: bool) {
        self.say(at_ms, "key", &[("on", f64::from(u8::from(on)))]);
    }

    fn volts(&mut self, at_ms: i64, volts: f64) {
        self.say(at_ms, "line", &[("volts", volts)]);
    }

    /// The same voltage every 100 ms, from the first time up to and with the last.
    fn volts_over(&mut self, from_ms: i64, to_ms: i64, volts: f64) {
        (from_ms..=to_ms).step_by(100).for_each(|at| self.volts(at, volts));
    }

    fn end(&mut self) -> Vec<RunRow> {
        self.engine.cut(CutReason::EndOfRecording);
        self.engine.take_runs()
    }

    /// The only run there is, after the recording has ended.
    fn outcome(&mut self) -> Outcome<'_> {
        let mut rows = self.end();
        assert_eq!(rows.len(), 1, "{rows:?}");
        Outcome { row: rows.remove(0), defs: &self.defs }
    }

    /// Start of each event, ms.
    fn event_times_ms(&mut self) -> Vec<i64> {
        self.engine.take_events().iter().map(|event| event.time_us / 1000).collect()
    }
}

impl Outcome<'_> {
    fn value(&self, name: &str) -> Option<CounterValue> {
        let counters = &self.defs.rules.as_ref().unwrap().counters;
        self.row.values[counters.iter().position(|counter| counter.name == name).unwrap()]
    }

    fn number(&self, name: &str) -> f64 {
        match self.value(name) {
            Some(CounterValue::Number(number)) => number,
            other => panic!("{name}: {other:?}"),
        }
    }

    fn count(&self, name: &str) -> u64 {
        match self.value(name) {
            Some(CounterValue::Count(count)) => count,
            other => panic!("{name}: {other:?}"),
        }
    }

    fn near(&self, name: &str, expected: f64) {
        let found = self.number(name);
        assert!((found - expected).abs() < 1e-9 * expected.abs().max(1.0), "{name}: {found}, expected {expected}");
    }
}
