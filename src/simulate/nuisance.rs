//! What real buses carry besides: trouble codes, identifiers nobody has defined, remote frames and error frames.

use super::chance::Chance;
use super::speak::{BODY, Moment, TRACTION};
use crate::frame::{CanId, DATA_BYTES_MAX, Frame, Kind};

/// Mean time between two error frames of a vehicle. Unit: steps of 50 ms.
const ERROR_EVERY: f64 = 9_000.0;
/// Parameter group of active trouble codes (SAE J1939-73, DM1), and its priority.
const ACTIVE_TROUBLE: u32 = 0x18FE_CA00;
/// Sources that report trouble: line input unit and battery manager.
const REPORTING: [u32; 2] = [0x27, 0x56];

/// One vehicle's nuisances.
#[derive(Debug, Clone)]
pub(crate) struct Nuisances {
    chance: Chance,
    rolling: u8,
}

/// What a frame counts as, beside data that the definitions know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sort {
    Known,
    Unknown,
    Remote,
    Error,
}

/// Identifiers below belong to no message of the definition set.
const UNDEFINED: [CanId; 4] =
    [CanId::extended(0x18FF_A042), CanId::extended(0x0CFF_8133), CanId::standard(0x3A5), CanId::standard(0x6F1)];

/// Tells what a frame counts as.
pub(crate) fn sort_of(frame: &Frame) -> Sort {
    match frame.kind {
        Kind::Error => Sort::Error,
        Kind::Remote => Sort::Remote,
        _ if UNDEFINED.contains(&frame.id) => Sort::Unknown,
        _ => Sort::Known,
    }
}

impl Nuisances {
    pub(crate) fn new(chance: Chance) -> Self {
        Self { chance, rolling: 0 }
    }

    /// Adds this step's frames.
    pub(crate) fn add(&mut self, moment: &Moment, frames: &mut Vec<Frame>) {
        let at = |offset_us: i64| moment.time_us + offset_us;
        let late_us = self.chance.below(60) as i64;
        if moment.step % 20 == 3 && !moment.traction_silent {
            self.rolling = self.rolling.wrapping_add(1);
            let degrees = moment.machine.choke_c.clamp(0.0, 200.0) as u8;
            let bytes = [self.rolling & 0x0F, degrees, 0x10, 0x27, 0xFF, 0xFF, 0xFF, 0xFF];
            frames.push(Frame::data(at(43_200 + late_us), TRACTION, UNDEFINED[0], &bytes));
        }
        if moment.step % 10 == 6 && !moment.traction_silent {
            let torque = (32_000.0 + 2.0 * moment.machine.torque_nm).clamp(0.0, 64_000.0) as u16;
            let [low, high] = torque.to_le_bytes();
            frames.push(Frame::data(at(44_100 + late_us), TRACTION, UNDEFINED[1], &[0x01, low, high, 0x00]));
        }
        if moment.step % 40 == 11 {
            let bytes = [0xA5, (moment.step / 40 % 256) as u8, 0x00, 0x42, 0x07];
            frames.push(Frame::data(at(45_300 + late_us), BODY, UNDEFINED[2], &bytes));
        }
        if moment.step % 600 == 77 {
            frames.push(remote(at(46_000 + late_us), BODY, UNDEFINED[3], 4));
            frames.push(Frame::data(at(46_900 + late_us), BODY, UNDEFINED[3], &[0x07, 0x21, 0x00, 0x19]));
        }
        for (index, source) in REPORTING.into_iter().enumerate() {
            let silent = moment.traction_silent || index == 1 && moment.manager_silent;
            if moment.step % 20 == 9 + index as u64 && !silent {
                let id = CanId::extended(ACTIVE_TROUBLE | source);
                frames.push(Frame::data(at(47_200 + late_us), TRACTION, id, &active_trouble(moment.trouble[index])));
            }
        }
        if self.chance.happens(1.0 / ERROR_EVERY) && !moment.traction_silent {
            frames.push(self.error(at(48_300 + late_us)));
        }
    }

    /// An error frame in SocketCAN's layout (`linux/can/error.h`).
    fn error(&mut self, time_us: i64) -> Frame {
        // Bus error with a protocol violation: kind of it in byte 2, place in byte 3.
        let (class, bytes) = match self.chance.below(4) {
            0 => (0x088, [0, 0, 0x04, 0x0A, 0, 0, 0, 0]),
            1 => (0x088, [0, 0, 0x02, 0x18, 0, 0, 0, 0]),
            2 => (0x0A0, [0, 0, 0, 0x19, 0, 0, 0, 0]),
            // Controller at its warning level, counters valid: 3 sent, 98 received.
            _ => (0x204, [0, 0x04, 0, 0, 0, 0, 3, 98]),
        };
        let mut frame = Frame::data(time_us, TRACTION, CanId(CanId::ERROR | class), &bytes);
        frame.kind = Kind::Error;
        frame
    }
}

fn remote(time_us: i64, channel: u16, id: CanId, len: u8) -> Frame {
    Frame {
        time_us,
        channel,
        id: CanId(id.0 | CanId::REMOTE),
        kind: Kind::Remote,
        flags: 0,
        len,
        raw_dlc: 0,
        data: [0; DATA_BYTES_MAX],
    }
}

/// DM1 with at most one trouble code, conversion method 0.
fn active_trouble(trouble: Option<(u32, u8, u8)>) -> [u8; 8] {
    match trouble {
        None => [0x00, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF],
        Some((spn, fmi, occurrences)) => {
            let [low, middle, high, _] = spn.to_le_bytes();
            // Amber lamp on.
            [0x04, 0xFF, low, middle, high << 5 | fmi & 0x1F, occurrences & 0x7F, 0xFF, 0xFF]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trouble_code_is_laid_out_as_the_standard_s_example() {
        // SAE J1939-73 5.7.1.11: SPN 1208, FMI 3, 10 times.
        assert_eq!(active_trouble(Some((1_208, 3, 10)))[2..6], [0xB8, 0x04, 0x03, 0x0A]);
    }
}
