//! One SocketCAN interface: its kernel's frames in, rows of a [`FrameBlock`] out.
//!
//! Classical and FD frames, and error frames of all classes, each with the kernel's receive time. Read many at a time.
//! Nothing here, and nothing that can be reached through [`CanReader`], sends: the descriptor is private to this file,
//! lent for waiting only, and no call that writes is in it. The kernel has no way to close a CAN socket for writing; that
//! the controller itself only listens is looked after by [`link`](super::link).

use super::clock::now_us;
use crate::frame::{CanId, DATA_BYTES_MAX, FLAG_BRS, FLAG_ESI, FrameBlock, Kind, Meta, TimeUs, word_of};
use nix::errno::Errno;
use nix::sys::socket::{ControlMessageOwned, MsgFlags, MultiHeaders, recvmmsg, setsockopt, sockopt};
use nix::sys::time::TimeSpec;
use socketcan::{CanAddr, CanFdSocket, Socket, SocketOptions};
use std::io::{self, IoSliceMut};
use std::os::fd::{AsFd, AsRawFd, BorrowedFd};
use std::time::Duration;

/// Frames of one system call.
pub const BATCH_FRAMES: usize = 128;

/// Length of a classical frame as the kernel hands it over (`struct can_frame`).
const CLASSICAL_BYTES: usize = 16;
/// Length of an FD frame (`struct canfd_frame`).
const FD_BYTES: usize = 72;
/// Where the data begins in both.
const DATA_AT: usize = 8;

/// Memory that the kernel counts for a frame in a receive buffer: socket buffer, bookkeeping and frame. Measured on
/// Linux 6.1: 8 MiB (which the kernel doubles) held 21,846 frames.
const KERNEL_BYTES_A_FRAME: usize = 768;

/// Most frames a second of one bus: the shortest frame, 11-bit identifier and no data, has 47 bits with the
/// intermission and without a stuff bit (ISO 11898-1), at 1 Mbit/s.
pub const FRAMES_A_SECOND_MAX: usize = 1_000_000 / 47;

/// An interface being listened to.
pub struct CanReader {
    socket: CanFdSocket,
    /// Interface number that it is bound to.
    index: u32,
    buffers: Box<[[u8; FD_BYTES]; BATCH_FRAMES]>,
    /// The kernel's counter of dropped frames as last told: it counts from when the socket was opened, and wraps.
    dropped_before: u32,
    buffer_bytes: usize,
}

/// What one reading gave.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Received {
    /// Frames appended, error frames among them.
    pub frames: usize,
    /// Error frames among them.
    pub error_frames: usize,
    /// Frames that the kernel dropped before these, the buffer being full.
    pub dropped: u64,
    /// Packets that are no CAN 2.0 or FD frame.
    pub strange: usize,
}

impl CanReader {
    /// Opens an interface by name, with a receive buffer of `buffer_bytes`; [`buffer_bytes`](Self::buffer_bytes) tells
    /// what it really got.
    ///
    /// # Errors
    /// There is no such interface (now), or the kernel has no SocketCAN.
    pub fn open(interface: &str, buffer_bytes: usize) -> io::Result<Self> {
        let index = nix::net::if_::if_nametoindex(interface)?;
        let socket = CanFdSocket::open_addr(&CanAddr::new(index))?;
        socket.set_nonblocking(true)?;
        setsockopt(&socket, sockopt::ReceiveTimestampns, &true)?;
        setsockopt(&socket, sockopt::RxqOvfl, &1)?;
        socket.set_error_filter_accept_all()?;
        // Forced beyond the system's limit where we may (CAP_NET_ADMIN), else as far as the limit goes.
        if setsockopt(&socket, sockopt::RcvBufForce, &buffer_bytes).is_err() {
            setsockopt(&socket, sockopt::RcvBuf, &buffer_bytes)?;
        }
        // The kernel doubles what it is asked for, for its own bookkeeping, and tells the doubled figure.
        let buffer_bytes = nix::sys::socket::getsockopt(&socket, sockopt::RcvBuf)? / 2;
        let buffers = Box::new([[0; FD_BYTES]; BATCH_FRAMES]);
        Ok(Self { socket, index, buffers, dropped_before: 0, buffer_bytes })
    }

    /// To wait on until there is something to read.
    pub(super) fn descriptor(&self) -> BorrowedFd<'_> {
        self.socket.as_fd()
    }

    /// Number of the interface that it listens to. One that is made again under the same name has another.
    pub fn interface_index(&self) -> u32 {
        self.index
    }

    /// Size of the receive buffer, as it would be asked for.
    pub fn buffer_bytes(&self) -> usize {
        self.buffer_bytes
    }

    /// How long a bus at its highest rate takes to fill the receive buffer.
    pub fn buffer_time(&self) -> Duration {
        let frames = 2 * self.buffer_bytes / KERNEL_BYTES_A_FRAME;
        Duration::from_micros((frames * 1_000_000 / FRAMES_A_SECOND_MAX) as u64)
    }

    /// Appends what is there, at most [`BATCH_FRAMES`], without waiting. Fewer mean that nothing more is there.
    ///
    /// # Errors
    /// `ENETDOWN`: the interface is down; the socket goes on when it is up again. `ENODEV`: it is gone, and this reader
    /// with it.
    pub fn read(&mut self, channel: u16, block: &mut FrameBlock) -> io::Result<Received> {
        let descriptor = self.socket.as_raw_fd();
        let mut received = Received::default();
        // Made anew each time: the kernel shortens each header's room for control messages to what it used, and the next
        // call with the same header could not tell of drops any more.
        let room = nix::cmsg_space!(TimeSpec, u32);
        let mut headers: MultiHeaders<()> = MultiHeaders::preallocate(BATCH_FRAMES, Some(room));
        let mut slices = self.buffers.each_mut().map(|buffer| [IoSliceMut::new(buffer)]);
        let messages = match recvmmsg(descriptor, &mut headers, slices.iter_mut(), MsgFlags::MSG_DONTWAIT, None) {
            Ok(messages) => messages,
            Err(Errno::EAGAIN | Errno::EINTR) => return Ok(received),
            Err(error) => return Err(error.into()),
        };
        let mut dropped = self.dropped_before;
        for message in messages {
            let mut time = None;
            for control in message.cmsgs().map_err(io::Error::from)? {
                match control {
                    ControlMessageOwned::ScmTimestampns(stamp) => time = Some(stamp),
                    ControlMessageOwned::RxqOvfl(count) => dropped = count,
                    _ => {}
                }
            }
            let Some(packet) = message.iovs().next().and_then(|bytes| bytes.get(..message.bytes)) else {
                received.strange += 1;
                continue;
            };
            let time_us = time.map_or_else(now_us, |time| microseconds(&time));
            match push(packet, time_us, channel, block) {
                Some(kind) => {
                    received.frames += 1;
                    received.error_frames += usize::from(kind == Kind::Error);
                }
                None => received.strange += 1,
            }
        }
        received.dropped = u64::from(dropped.wrapping_sub(self.dropped_before));
        self.dropped_before = dropped;
        Ok(received)
    }
}

/// Rounded down to the microsecond.
fn microseconds(time: &TimeSpec) -> TimeUs {
    #[allow(clippy::useless_conversion, reason = "narrower on 32-bit systems")]
    let (seconds, nanoseconds) = (i64::from(time.tv_sec()), i64::from(time.tv_nsec()));
    seconds.saturating_mul(1_000_000).saturating_add(nanoseconds / 1000)
}

/// Appends a frame as the kernel hands it over: identifier in this machine's byte order, length, flags, reserved, length
/// code, data (Linux `linux/can.h`). Gives its kind; none if it is no CAN 2.0 or FD frame.
fn push(packet: &[u8], time_us: TimeUs, channel: u16, block: &mut FrameBlock) -> Option<Kind> {
    let (&[a, b, c, d, len, flags, _, len8_dlc], data) = packet.split_first_chunk::<DATA_AT>()?;
    let id = u32::from_ne_bytes([a, b, c, d]);
    match packet.len() {
        CLASSICAL_BYTES => {
            let len = len.min(8);
            let kind = Kind::of_classical(CanId(id));
            let mark = match kind {
                Kind::Error => CanId::REMOTE,
                _ => 0,
            };
            let wanted = if kind == Kind::Remote { 0 } else { usize::from(len) };
            let word = word_of(data.get(..wanted)?);
            let has_raw_dlc = len == 8 && kind != Kind::Error && (9..=15).contains(&len8_dlc);
            let raw_dlc = if has_raw_dlc { len8_dlc } else { 0 };
            block.push_short(time_us, CanId(id & !mark), Meta::new(channel, kind, 0, len, raw_dlc), word);
            Some(kind)
        }
        FD_BYTES => {
            let len = len.min(DATA_BYTES_MAX as u8);
            // Neither remote nor error frames exist in FD.
            let id = CanId(id & !(CanId::REMOTE | CanId::ERROR));
            let meta = Meta::new(channel, Kind::Fd, flags & (FLAG_BRS | FLAG_ESI), len, 0);
            let data = data.get(..usize::from(len))?;
            if len > 8 {
                block.push_long(time_us, id, meta, data);
            } else {
                block.push_short(time_us, id, meta, word_of(data));
            }
            Some(Kind::Fd)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::bits_min;

    fn packet<const N: usize>(id: u32, len: u8, flags: u8, dlc: u8, data: &[u8]) -> [u8; N] {
        let mut packet = [0; N];
        packet[..4].copy_from_slice(&id.to_ne_bytes());
        packet[4..8].copy_from_slice(&[len, flags, 0, dlc]);
        packet[8..8 + data.len()].copy_from_slice(data);
        packet
    }

    #[test]
    fn the_highest_rate_is_that_of_the_shortest_frame() {
        assert_eq!(FRAMES_A_SECOND_MAX, 1_000_000 / bits_min(false, Kind::Data, 0) as usize);
        assert_eq!(FRAMES_A_SECOND_MAX, 21_276);
    }

    #[test]
    fn packets_become_the_frames_that_they_are() {
        let mut block = FrameBlock::default();
        let data = [1, 2, 3, 4, 5, 6, 7, 8];
        let long: Vec<u8> = (0..64).collect();
        push(&packet::<16>(0x123, 3, 0, 0, &data), 1, 2, &mut block);
        push(&packet::<16>(0x9234_5678, 8, 0, 15, &data), 2, 2, &mut block);
        push(&packet::<16>(0x123 | CanId::REMOTE, 5, 0, 0, &data), 3, 2, &mut block);
        push(&packet::<16>(0x40 | CanId::ERROR | CanId::REMOTE, 8, 0, 9, &data), 4, 2, &mut block);
        push(&packet::<72>(0x123, 4, 0x04 | FLAG_ESI, 0, &long), 5, 2, &mut block);
        push(&packet::<72>(0x8000_0001, 64, 0x04 | FLAG_BRS, 0, &long), 6, 2, &mut block);
        let told: Vec<String> = (0..block.len()).map(|index| format!("{:?}", block.frame(index))).collect();
        assert_eq!(told[0], "1us ch2 Data 123 [3] 01 02 03");
        assert_eq!(told[1], "2us ch2 Data 12345678 [8] 01 02 03 04 05 06 07 08");
        assert_eq!(block.meta[1].raw_dlc(), 15);
        assert_eq!(told[2], "3us ch2 Remote 123 [5]");
        assert_eq!(block.data[2], 0);
        assert_eq!((block.id[3].0, block.meta[3].kind(), block.meta[3].raw_dlc()), (0x2000_0040, Kind::Error, 0));
        assert_eq!(told[4], "5us ch2 Fd 123 [4] 00 01 02 03");
        assert_eq!(block.meta[4].flags(), FLAG_ESI);
        assert_eq!((block.meta[5].flags(), block.meta[5].len), (FLAG_BRS, 64));
        assert_eq!(block.long[0].as_slice(), long);
    }

    #[test]
    fn no_packet_is_too_odd() {
        let mut block = FrameBlock::default();
        for len in 0..=80 {
            for first in [0, 0xFF] {
                let taken = push(&vec![first; len], 0, 0, &mut block).is_some();
                assert_eq!(taken, len == 16 || len == 72, "{len} bytes");
            }
        }
        assert!((0..block.len()).all(|index| block.frame(index).len <= 64));
    }

    #[test]
    fn an_interface_that_is_not_there_is_an_error() {
        assert!(CanReader::open("nosuchcan9", 1 << 20).is_err());
    }
}
