//! Buses of the guest: making and changing interfaces, sending frames, and listening as another program would.

use socketcan::nl::CanInterface;
use socketcan::{CanCtrlMode, CanFdSocket, Socket, SocketOptions};
use std::io::Write;
use std::process::Command;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};
use yardtap::frame::{CanId, FLAG_BRS, FLAG_ESI, Frame, Kind};

/// Runs a command of the guest, which must succeed.
pub fn run(line: &str) {
    let mut words = line.split_whitespace();
    let status = Command::new(words.next().expect("a command")).args(words).status();
    assert!(status.as_ref().is_ok_and(std::process::ExitStatus::success), "{line}: {status:?}");
}

/// A virtual interface that carries FD, made anew.
pub fn virtual_interface(name: &str) {
    remove(name);
    run(&format!("ip link add dev {name} type vcan"));
    run(&format!("ip link set {name} mtu 72 up"));
}

/// Takes an interface away, if it is there.
pub fn remove(name: &str) {
    if exists(name) {
        run(&format!("ip link del {name}"));
    }
}

/// Sets a controller's bit rate and whether it only listens, and brings it up.
pub fn controller(name: &str, bitrate: u32, listen_only: bool) {
    let interface = CanInterface::open(name).unwrap_or_else(|error| panic!("{name}: {error}"));
    interface.bring_down().expect("down");
    interface.set_bitrate(bitrate, None).expect("a bit rate");
    interface.set_ctrlmode(CanCtrlMode::ListenOnly, listen_only).expect("a mode");
    interface.bring_up().expect("up");
}

/// A pair of virtual interfaces that tell each other everything, made anew; the second one's name is the kernel's choice.
pub fn virtual_pair(name: &str) -> String {
    remove(name);
    let all = || -> std::collections::BTreeSet<String> {
        let entries = std::fs::read_dir("/sys/class/net").expect("interfaces");
        entries.map(|entry| entry.expect("an interface").file_name().to_string_lossy().into_owned()).collect()
    };
    let before = all();
    run(&format!("ip link add dev {name} type vxcan"));
    let peer = all().into_iter().find(|found| found != name && !before.contains(found)).expect("a peer");
    for name in [name, &peer] {
        run(&format!("ip link set {name} mtu 72 up"));
    }
    peer
}

pub fn exists(name: &str) -> bool {
    std::path::Path::new(&format!("/sys/class/net/{name}")).exists()
}

/// A counter that the kernel keeps of an interface.
pub fn counter(interface: &str, what: &str) -> u64 {
    let path = format!("/sys/class/net/{interface}/statistics/{what}");
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}")).trim().parse().expect("a number")
}

pub fn now_us() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_micros() as i64
}

/// Frame number `n` of a test's sequence: every kind, every length.
pub fn frame(n: u32) -> Frame {
    let id = if n.is_multiple_of(3) { CanId::extended(0x0100_0000 + n) } else { CanId::standard(n) };
    let data: Vec<u8> = (0..64).map(|at| (n.wrapping_mul(37) as u8).wrapping_add(at)).collect();
    let kind = match n % 10 {
        7 => Kind::Remote,
        8 => Kind::Error,
        9 | 4 => Kind::Fd,
        _ => Kind::Data,
    };
    let fd_lengths = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64];
    let len = match kind {
        Kind::Fd => fd_lengths[n as usize / 5 % fd_lengths.len()],
        Kind::Error => 8,
        _ => n as usize % 9,
    };
    let mut frame = Frame::data(0, 0, id, &data[..len]);
    frame.kind = kind;
    frame.flags = if kind == Kind::Fd { [0, FLAG_BRS, FLAG_ESI, FLAG_BRS | FLAG_ESI][n as usize / 10 % 4] } else { 0 };
    match kind {
        Kind::Remote => {
            frame.id.0 |= CanId::REMOTE;
            frame.data.fill(0);
        }
        Kind::Error => frame.id = CanId(CanId::ERROR | 1 << (n / 10 % 9)),
        _ => {}
    }
    frame
}

/// A frame as the kernel takes it (Linux `linux/can.h`).
pub fn packet(frame: &Frame) -> Vec<u8> {
    let fd = frame.kind == Kind::Fd;
    let mut packet = vec![0; if fd { 72 } else { 16 }];
    packet[..4].copy_from_slice(&frame.id.0.to_ne_bytes());
    packet[4] = frame.len;
    packet[5] = if fd { frame.flags } else { 0 };
    packet[8..8 + frame.bytes().len()].copy_from_slice(frame.bytes());
    packet
}

/// Who sends.
pub struct Sender(CanFdSocket);

impl Sender {
    pub fn open(interface: &str) -> Self {
        Self(CanFdSocket::open(interface).unwrap_or_else(|error| panic!("{interface}: {error}")))
    }

    pub fn send(&mut self, frame: &Frame) {
        self.send_packet(&packet(frame));
    }

    pub fn send_packet(&mut self, packet: &[u8]) {
        loop {
            match self.0.write(packet) {
                Ok(count) => return assert_eq!(count, packet.len()),
                // The controller's queue is full.
                Err(error) if error.raw_os_error() == Some(nix::libc::ENOBUFS) => {
                    std::thread::sleep(Duration::from_micros(500));
                }
                Err(error) => panic!("sending: {error}"),
            }
        }
    }

    /// Sends numbered frames of 8 bytes, number first; so many a second, or as fast as it can be for 0. Gives the rate
    /// that came of it.
    pub fn fill(&mut self, count: u32, a_second: u32) -> f64 {
        let begin = Instant::now();
        let mut packet = packet(&Frame::data(0, 0, CanId::standard(0x100), &[0; 8]));
        for n in 0..count {
            packet[8..12].copy_from_slice(&n.to_le_bytes());
            self.send_packet(&packet);
            if a_second > 0 && n.is_multiple_of(32) {
                let due = Duration::from_secs_f64(f64::from(n) / f64::from(a_second));
                std::thread::sleep(due.saturating_sub(begin.elapsed()));
            }
        }
        f64::from(count) / begin.elapsed().as_secs_f64()
    }
}

/// Another program that listens, and would also hear what is sent by its own machine: everything that anybody sends.
pub struct Witness(CanFdSocket);

impl Witness {
    pub fn open(interface: &str) -> Self {
        let socket = CanFdSocket::open(interface).expect("a witness");
        socket.set_recv_own_msgs(true).expect("own frames");
        socket.set_error_filter_accept_all().expect("error frames");
        socket.set_nonblocking(true).expect("no waiting");
        let bytes: usize = 32 << 20;
        nix::sys::socket::setsockopt(&socket, nix::sys::socket::sockopt::RcvBufForce, &bytes).expect("a large buffer");
        Self(socket)
    }

    /// How many frames were on the bus.
    pub fn count(&mut self) -> u64 {
        let mut count = 0;
        while self.0.read_raw_frame().is_ok() {
            count += 1;
        }
        count
    }
}
