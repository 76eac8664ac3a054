//! What is counted of a bus while it is recorded: frames, error frames, when the last one came, how busy the wire is.
//!
//! Frames in, [`BusStatus`] out. The load is that of whole seconds of the machine's own time, so that it falls to
//! nothing on a silent bus too.
//!
//! Stuff bits depend on every bit of a frame, and counting them costs more than recording it. Of a second's classical
//! frames the first are measured one by one, then one of so many; how much longer those were than without stuff bits is
//! taken for all. Lengths without stuff bits are counted of every frame.

use super::status::BusStatus;
use crate::frame::{FrameBlock, Kind};
use crate::wire::{Payload, WireBits, bits_min, wire_bits};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

/// Over how long the load is taken.
const WINDOW: Duration = Duration::from_secs(1);

/// Frames of a second that are all measured.
const MEASURED_ALL: u32 = 256;

/// Of further ones, one of so many is measured. A prime, so that it does not fall into step with a cycle of messages.
const MEASURED_ONE_IN: u32 = 17;

/// Bit rates of a bus, bit/s, where they are known: from the interface, else from the definition set.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct BitRates {
    /// Of all but the data phase.
    pub nominal: Option<u32>,
    /// Of the data phase of FD frames; none: as nominal.
    pub data_phase: Option<u32>,
}

/// Counts one bus.
#[derive(Debug)]
pub struct Meter {
    rates: BitRates,
    /// Bits of this second's classical frames without stuff bits, and of those among them that were measured: without
    /// stuff bits and with.
    plain_bits: u64,
    measured_plain_bits: u64,
    measured_bits: u64,
    /// Classical frames of this second.
    classical: u32,
    /// Bits of its FD frames, all measured.
    fd_bits: (u64, u64),
    window_from: Instant,
}

impl Meter {
    /// `rates` are those of the definition set; an interface that tells its own is believed instead.
    pub fn new(rates: BitRates) -> Self {
        Self::begun(rates, Instant::now())
    }

    fn begun(rates: BitRates, window_from: Instant) -> Self {
        Self {
            rates,
            plain_bits: 0,
            measured_plain_bits: 0,
            measured_bits: 0,
            classical: 0,
            fd_bits: (0, 0),
            window_from,
        }
    }

    /// Counts the frames of a block from row `from` on, all of this bus.
    pub fn count(&mut self, block: &FrameBlock, from: usize, bus: &BusStatus) {
        let (mut frames, mut error_frames) = (0, 0);
        for index in from..block.len() {
            let meta = block.meta[index];
            if meta.kind() == Kind::Error {
                error_frames += 1;
                continue;
            }
            frames += 1;
            let bits = || wire_bits(block.id[index], meta, Payload::of_block(block, index));
            if meta.kind() == Kind::Fd {
                let WireBits { nominal, data_phase } = bits();
                self.fd_bits.0 += u64::from(nominal);
                self.fd_bits.1 += u64::from(data_phase);
                continue;
            }
            let plain_bits = u64::from(bits_min(block.id[index].is_extended(), meta.kind(), meta.len));
            self.plain_bits += plain_bits;
            if self.classical < MEASURED_ALL || self.classical.is_multiple_of(MEASURED_ONE_IN) {
                self.measured_plain_bits += plain_bits;
                self.measured_bits += u64::from(bits().nominal);
            }
            self.classical = self.classical.wrapping_add(1);
        }
        bus.frames.fetch_add(frames, Ordering::Relaxed);
        bus.error_frames.fetch_add(error_frames, Ordering::Relaxed);
        if let Some(&last_us) = block.time_us.get(from..).and_then(<[_]>::last) {
            bus.last_frame_us.store(last_us, Ordering::Relaxed);
        }
    }

    /// Tells the load if a second is over. To be called at least as often.
    pub fn tick(&mut self, now: Instant, bus: &BusStatus) {
        let elapsed = now.duration_since(self.window_from);
        if elapsed < WINDOW {
            return;
        }
        let told = bus.link.lock().unwrap_or_else(std::sync::PoisonError::into_inner).bitrate;
        let nominal = told.or(self.rates.nominal);
        let classical_bits =
            self.plain_bits as f64 * (self.measured_bits as f64 / self.measured_plain_bits.max(1) as f64);
        let busy_s = nominal.map_or(0.0, |nominal| {
            let data_phase = self.rates.data_phase.unwrap_or(nominal);
            (classical_bits + self.fd_bits.0 as f64) / f64::from(nominal.max(1))
                + self.fd_bits.1 as f64 / f64::from(data_phase.max(1))
        });
        let hundredths = (busy_s / elapsed.as_secs_f64() * 10_000.0).round();
        // No bus is busier than all the time; frames that waited in a buffer or pipe may look so.
        bus.load_hundredths.store(hundredths.clamp(0.0, 10_000.0) as u64, Ordering::Relaxed);
        *self = Self::begun(self.rates, now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, Frame};
    use crate::wire::wire_bits;

    #[test]
    fn a_second_of_frames_is_their_bits_over_the_bit_rate() {
        let mut block = FrameBlock::default();
        for number in 0..200_u32 {
            block.push(&Frame::data(i64::from(number), 0, CanId::standard(0x123), &number.to_le_bytes()));
        }
        let bits: u32 =
            (0..200).map(|row| wire_bits(block.id[row], block.meta[row], Payload::of_block(&block, row)).total()).sum();
        let mut error = Frame::data(777, 0, CanId(CanId::ERROR | 4), &[0; 8]);
        error.kind = Kind::Error;
        block.push(&error);
        let bus = BusStatus::default();
        let mut meter = Meter::new(BitRates { nominal: Some(250_000), data_phase: None });
        let begin = meter.window_from;
        meter.count(&block, 0, &bus);
        meter.tick(begin + WINDOW / 2, &bus);
        assert_eq!(bus.load_hundredths.load(Ordering::Relaxed), 0);
        meter.tick(begin + WINDOW, &bus);
        let expected = (f64::from(bits) / 250_000.0 * 10_000.0).round() as u64;
        assert!(expected > 0);
        assert_eq!(bus.load_hundredths.load(Ordering::Relaxed), expected);
        assert_eq!(bus.frames.load(Ordering::Relaxed), 200);
        assert_eq!(bus.error_frames.load(Ordering::Relaxed), 1);
        assert_eq!(bus.last_frame_us.load(Ordering::Relaxed), 777);
        // A silent second.
        meter.tick(begin + 2 * WINDOW, &bus);
        assert_eq!(bus.load_hundredths.load(Ordering::Relaxed), 0);
    }

    #[test]
    fn a_busy_second_is_measured_in_part_and_told_nearly_as_it_is() {
        let mut block = FrameBlock::default();
        let mut exact = 0;
        // Messages of all lengths in a cycle, their content changing.
        for n in 0..8_000_u32 {
            let content = u64::from(n).wrapping_mul(0x9E37_79B9_7F4A_7C15).to_le_bytes();
            block.push(&Frame::data(0, 0, CanId::extended(n % 9 * 0x0101_0101), &content[..n as usize % 9]));
            let row = n as usize;
            exact += u64::from(wire_bits(block.id[row], block.meta[row], Payload::of_block(&block, row)).total());
        }
        let bus = BusStatus::default();
        let mut meter = Meter::new(BitRates { nominal: Some(1_000_000), data_phase: None });
        let begin = meter.window_from;
        meter.count(&block, 0, &bus);
        meter.tick(begin + WINDOW, &bus);
        let told = bus.load_hundredths.load(Ordering::Relaxed) as f64;
        let exact = exact as f64 / 100.0;
        assert!((told / exact - 1.0).abs() < 0.005, "told {told}, is {exact}");
    }

    #[test]
    fn what_the_interface_tells_goes_before_the_definitions() {
        let mut block = FrameBlock::default();
        block.push(&Frame::data(0, 0, CanId::standard(0x123), &[]));
        let bus = BusStatus::default();
        bus.link.lock().unwrap().bitrate = Some(1000);
        let mut meter = Meter::new(BitRates { nominal: Some(1), data_phase: None });
        let begin = meter.window_from;
        meter.count(&block, 0, &bus);
        meter.tick(begin + WINDOW, &bus);
        let bits = u64::from(wire_bits(block.id[0], block.meta[0], Payload::of_block(&block, 0)).total());
        assert_eq!(bus.load_hundredths.load(Ordering::Relaxed), bits * 10);
    }
}
