//! What the CAN interfaces are doing, asked of the kernel once a second over netlink: state, bit rate, listen-only.
//!
//! In a thread of its own: the kernel answers only when nobody else changes an interface, and no recorder waits for that.
//! Changes nothing. Does not know frames.

use super::meter::BitRates;
use super::status::{Link, LinkState, Status, Stop};
use crate::settings::gateway::{Source, Tap};
use socketcan::CanCtrlMode;
use socketcan::nl::{CanInterface, CanState, InterfaceDetails};
use std::io;
use std::sync::{Arc, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often the kernel is asked.
const EVERY: Duration = Duration::from_secs(1);

/// How often is looked whether the service ends.
const LOOK: Duration = Duration::from_millis(200);

/// A tap whose interfaces are watched.
pub struct Watching<'a> {
    /// Its number in the status.
    pub tap: usize,
    /// Its buses.
    pub settings: &'a Tap,
    /// Bit rates of the definition set, by bus of the tap.
    pub rates: &'a [BitRates],
}

/// Starts to watch all interfaces of `taps`. Ends on `stop`.
///
/// # Errors
/// There can be no further thread.
pub fn start(taps: &[Watching<'_>], status: &Arc<Status>, stop: &Arc<Stop>) -> io::Result<JoinHandle<()>> {
    let mut watched = Vec::new();
    for &Watching { tap, settings, rates } in taps {
        for (bus, settings) in settings.buses.iter().enumerate() {
            if let Source::Interface(name) = &settings.source {
                let expected = rates.get(bus).and_then(|rates| rates.nominal);
                watched.push(Watched { tap, bus, name: name.clone(), expected });
            }
        }
    }
    let (status, stop) = (Arc::clone(status), Arc::clone(stop));
    std::thread::Builder::new().name("links".to_owned()).spawn(move || {
        let mut next = Instant::now();
        while !stop.is_set() {
            if Instant::now() >= next {
                watched.iter().for_each(|watched| watched.look(&status));
                next = Instant::now() + EVERY;
            }
            std::thread::sleep(LOOK);
        }
        watched.iter().for_each(|watched| watched.forget(&status));
    })
}

struct Watched {
    tap: usize,
    bus: usize,
    name: String,
    /// Bit rate that the definition set has.
    expected: Option<u32>,
}

impl Watched {
    fn look(&self, status: &Status) {
        let link = look(&self.name);
        let troubles = Troubles::of(&self.name, &link, self.expected);
        for (what, text) in WHAT.into_iter().zip([troubles.state, troubles.listen_only, troubles.bitrate]) {
            let cause = self.cause(what);
            match text {
                Some(text) => status.trouble(&cause, text),
                None => status.settled(&cause),
            }
        }
        if let Some(bus) = status.bus(self.tap, self.bus) {
            *bus.link.lock().unwrap_or_else(PoisonError::into_inner) = link;
        }
    }

    /// Takes back what was told: nobody watches any more.
    fn forget(&self, status: &Status) {
        WHAT.into_iter().for_each(|what| status.settled(&self.cause(what)));
    }

    fn cause(&self, what: &str) -> String {
        format!("{what}: {}", self.name)
    }
}

/// What can be wrong with an interface.
const WHAT: [&str; 3] = ["interface", "listen-only", "bit rate"];

/// An interface as it is now.
pub fn look(name: &str) -> Link {
    let details = match CanInterface::open(name) {
        Ok(interface) => interface.details(),
        Err(_) => return told_missing(name),
    };
    match details {
        Ok(details) => told(&details),
        // Gone between the two questions, or not to be asked about.
        Err(error) => match CanInterface::open(name) {
            Ok(_) => Link { remark: Some(format!("the kernel does not tell about it: {error}")), ..Link::default() },
            Err(_) => told_missing(name),
        },
    }
}

fn told_missing(name: &str) -> Link {
    let remark = format!("there is no interface {name}; plug its adapter in, or correct the name in the configuration");
    Link { remark: Some(remark), ..Link::default() }
}

fn told(details: &InterfaceDetails) -> Link {
    let can = &details.can;
    let state = if !details.is_up {
        LinkState::Down
    } else {
        match can.state {
            // Virtual interfaces have no state.
            None | Some(CanState::ErrorActive) => LinkState::Up,
            Some(CanState::ErrorWarning) => LinkState::Warning,
            Some(CanState::ErrorPassive) => LinkState::Passive,
            Some(CanState::BusOff) => LinkState::BusOff,
            Some(CanState::Stopped | CanState::Sleeping) => LinkState::Down,
        }
    };
    let counters = can.berr_counter.map(|counter| (counter.rxerr, counter.txerr)).filter(|&counts| counts != (0, 0));
    let counters = counters.map(|(receive, send)| format!("error counters: receive {receive}, send {send}"));
    Link {
        state,
        listen_only: can.ctrl_mode.map(|modes| modes.has_mode(CanCtrlMode::ListenOnly)),
        bitrate: can.bit_timing.map(|timing| timing.bitrate).filter(|&bitrate| bitrate > 0),
        remark: counters,
    }
}

/// What is to be done about an interface, in words.
#[derive(Debug, PartialEq, Eq)]
struct Troubles {
    state: Option<String>,
    listen_only: Option<String>,
    bitrate: Option<String>,
}

impl Troubles {
    fn of(name: &str, link: &Link, expected: Option<u32>) -> Self {
        let state = match link.state {
            LinkState::Up => None,
            LinkState::Missing => Some(link.remark.clone().unwrap_or_default()),
            LinkState::Down => {
                let bitrate = expected.unwrap_or(250_000);
                Some(format!(
                    "{name} is down, so nothing is recorded; bring it up: \
                     ip link set {name} up type can bitrate {bitrate} listen-only on"
                ))
            }
            LinkState::Warning => Some(format!("{name} sees many errors; check bit rate, termination and wiring")),
            LinkState::Passive => Some(format!(
                "{name} sees so many errors that it is error passive; check bit rate, termination and wiring"
            )),
            LinkState::BusOff => Some(format!(
                "{name} went off the bus (bus-off), which a listener never does: something sends by it; find what \
                 sends, set it down, and up again with listen-only on"
            )),
        };
        let listen_only = (link.listen_only == Some(false)).then(|| {
            format!(
                "{name} is NOT listen-only: its controller takes part in the bus, acknowledging frames and marking \
                 errors; yardtap itself sends nothing; set it down, then: \
                 ip link set {name} up type can listen-only on"
            )
        });
        let bitrate = match (link.bitrate, expected) {
            (Some(is), Some(expected)) if is != expected => Some(format!(
                "{name} has {is} bit/s, the definition set {expected} bit/s for its bus; one of the two is wrong"
            )),
            _ => None,
        };
        Self { state, listen_only, bitrate }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use socketcan::nl::{CanBerrCounter, CanBitTiming, CanCtrlModes};

    fn details(up: bool, state: Option<CanState>, listen_only: Option<bool>, bitrate: Option<u32>) -> InterfaceDetails {
        let mut details = InterfaceDetails::new(3);
        details.is_up = up;
        details.can.state = state;
        details.can.ctrl_mode = listen_only.map(|on| CanCtrlModes::from_mode(CanCtrlMode::ListenOnly, on));
        details.can.bit_timing = bitrate.map(|bitrate| CanBitTiming { bitrate, ..CanBitTiming::default() });
        details
    }

    #[test]
    fn a_virtual_interface_tells_nothing_and_nothing_is_wrong_with_it() {
        let link = told(&details(true, None, None, None));
        assert_eq!(link, Link { state: LinkState::Up, ..Link::default() });
        let none = Troubles { state: None, listen_only: None, bitrate: None };
        assert_eq!(Troubles::of("vcan0", &link, Some(250_000)), none);
    }

    #[test]
    fn a_listener_that_takes_part_is_told_loudly() {
        let link = told(&details(true, Some(CanState::ErrorActive), Some(false), Some(500_000)));
        assert_eq!(link.listen_only, Some(false));
        let troubles = Troubles::of("can0", &link, Some(250_000));
        assert!(troubles.listen_only.is_some_and(|text| text.contains("NOT listen-only")));
        assert!(troubles.bitrate.is_some_and(|text| text.contains("500000") && text.contains("250000")));
        assert_eq!(troubles.state, None);
        let link = told(&details(true, Some(CanState::ErrorActive), Some(true), Some(250_000)));
        let none = Troubles { state: None, listen_only: None, bitrate: None };
        assert_eq!(Troubles::of("can0", &link, Some(250_000)), none);
    }

    #[test]
    fn every_state_is_told_apart() {
        let state = |up, state| told(&details(up, Some(state), Some(true), Some(250_000))).state;
        assert_eq!(state(true, CanState::ErrorWarning), LinkState::Warning);
        assert_eq!(state(true, CanState::ErrorPassive), LinkState::Passive);
        assert_eq!(state(true, CanState::BusOff), LinkState::BusOff);
        assert_eq!(state(true, CanState::Stopped), LinkState::Down);
        assert_eq!(state(false, CanState::Stopped), LinkState::Down);
        for state in [LinkState::Missing, LinkState::Down, LinkState::Warning, LinkState::Passive, LinkState::BusOff] {
            let link = Link { state, remark: Some("so it is".to_owned()), ..Link::default() };
            assert!(Troubles::of("can0", &link, None).state.is_some_and(|text| !text.is_empty()));
        }
        let mut counted = details(true, Some(CanState::ErrorWarning), Some(true), None);
        counted.can.berr_counter = Some(CanBerrCounter { rxerr: 97, txerr: 0 });
        assert_eq!(told(&counted).remark.as_deref(), Some("error counters: receive 97, send 0"));
    }

    #[test]
    fn an_interface_that_is_not_there_is_missing() {
        let link = look("nosuchcan9");
        assert_eq!(link.state, LinkState::Missing);
        assert!(link.remark.is_some_and(|remark| remark.contains("nosuchcan9")));
    }
}
