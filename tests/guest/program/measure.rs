//! What recording costs, in the guest; and loops without CAN, run in the guest and on its host, that tell how much slower
//! the emulated machine is. Figures for reports: nothing here passes or fails.

use super::bus::{Sender, run, virtual_interface};
use nix::sys::socket::{
    AddressFamily, MsgFlags, MultiHeaders, SockFlag, SockType, recvmmsg, send, setsockopt, socketpair, sockopt,
};
use nix::sys::time::TimeSpec;
use std::hint::black_box;
use std::io::{BufRead, BufReader, IoSliceMut};
use std::os::fd::AsRawFd;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use yardtap::capture::write::PcapngWriter;
use yardtap::frame::{CanId, Frame, FrameBlock, Meta};
use yardtap::gateway::socket::FRAMES_A_SECOND_MAX;
use yardtap::wire::{Payload, wire_bits};

const INTERFACES: [&str; 4] = ["vcan0", "vcan1", "vcan2", "vcan3"];

/// Records buses at their highest rate, and a flood, in a process of its own.
pub fn measure() {
    INTERFACES.iter().for_each(|name| virtual_interface(name));
    for (buses, a_second, seconds) in [(1, FRAMES_A_SECOND_MAX as u32, 10), (1, 2_000, 10), (4, 5_000, 10), (1, 0, 0)] {
        one(buses, a_second, seconds);
    }
    calibrate();
}

fn one(buses: usize, a_second: u32, seconds: u32) {
    run("rm -rf /tmp/measure");
    let own = std::env::current_exe().expect("own path");
    let mut command = Command::new(&own);
    command.args(["record", "/tmp/measure"]).args(&INTERFACES[..buses]);
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("a recorder");
    let mut output = BufReader::new(child.stdout.take().expect("output"));
    let mut line = String::new();
    output.read_line(&mut line).expect("a line");
    let count = if a_second == 0 { 300_000 } else { a_second * seconds };
    let (cpu_before, begin) = (cpu(child.id()), Instant::now());
    let senders: Vec<_> = INTERFACES[..buses]
        .iter()
        .map(|&name| std::thread::spawn(move || Sender::open(name).fill(count, a_second)))
        .collect();
    let rate: f64 = senders.into_iter().map(|sender| sender.join().expect("a sender")).sum();
    let elapsed = begin.elapsed();
    std::thread::sleep(Duration::from_millis(300));
    let cpu = cpu(child.id()) - cpu_before;
    let memory = memory_peak(child.id());
    drop(child.stdin.take());
    line.clear();
    output.read_line(&mut line).expect("a line");
    child.wait().expect("an end");
    let frames = f64::from(count) * buses as f64;
    println!(
        "measured: {buses} buses, {rate:.0} frames/s, {:.2} % of a core, {:.0} ns a frame, peak {memory}; {}",
        cpu.as_secs_f64() / elapsed.as_secs_f64() * 100.0,
        cpu.as_nanos() as f64 / frames,
        line.trim_end()
    );
}

/// Time on a core of all threads of a process, to the nanosecond as the scheduler keeps it.
fn cpu(process: u32) -> Duration {
    let tasks = std::fs::read_dir(format!("/proc/{process}/task")).expect("threads");
    let spent = tasks.filter_map(|task| std::fs::read_to_string(task.ok()?.path().join("schedstat")).ok());
    let nanoseconds = spent.filter_map(|text| text.split_whitespace().next()?.parse::<u64>().ok()).sum();
    Duration::from_nanos(nanoseconds)
}

fn memory_peak(process: u32) -> String {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.unwrap_or("unknown").trim().to_owned()
}

/// Loops that a recorder spends its time in, or as like them as a machine without CAN allows.
pub fn calibrate() {
    let mut block = FrameBlock::default();
    let mut chance = 1_u64;
    for n in 0..20_000 {
        chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        block.push_short(n * 47, CanId::standard(chance as u32), Meta::data(0, 8), chance);
    }
    let bits = best(|| {
        for row in 0..block.len() {
            black_box(wire_bits(block.id[row], block.meta[row], Payload::of_block(&block, row)));
        }
        block.len()
    });
    let encode = best(|| {
        let mut writer = PcapngWriter::new(std::io::sink(), &[Some("can0")]).expect("a writer");
        writer.write_block(&block).expect("frames");
        block.len()
    });
    let received = best(datagrams);
    println!("calibrated: wire bits {bits:.1}, encode {encode:.1}, receive from the kernel {received:.1} ns a frame");
}

/// The best of some rounds, nanoseconds a frame.
fn best(mut round: impl FnMut() -> usize) -> f64 {
    let times = (0..15).map(|_| {
        let begin = Instant::now();
        let count = round();
        begin.elapsed().as_nanos() as f64 / count as f64
    });
    times.fold(f64::INFINITY, f64::min)
}

/// Datagrams of a frame's size through the kernel, read as the recorder reads: many at a time, with their times.
fn datagrams() -> usize {
    const COUNT: usize = 128;
    let (one, other) =
        socketpair(AddressFamily::Unix, SockType::Datagram, None, SockFlag::SOCK_NONBLOCK).expect("sockets");
    setsockopt(&other, sockopt::ReceiveTimestampns, &true).expect("times");
    let packet = super::bus::packet(&Frame::data(0, 0, CanId::standard(1), &[0; 8]));
    let mut done = 0;
    while done < 20_000 {
        let mut there = 0;
        while there < COUNT && send(one.as_raw_fd(), &packet, MsgFlags::empty()).is_ok() {
            there += 1;
        }
        let mut buffers = [[0; 72]; COUNT];
        let mut slices = buffers.each_mut().map(|buffer| [IoSliceMut::new(buffer)]);
        let room = nix::cmsg_space!(TimeSpec, u32);
        let mut headers: MultiHeaders<()> = MultiHeaders::preallocate(COUNT, Some(room));
        let messages = recvmmsg(other.as_raw_fd(), &mut headers, slices.iter_mut(), MsgFlags::MSG_DONTWAIT, None);
        for message in messages.expect("datagrams") {
            black_box(message.cmsgs().expect("times").count());
            done += 1;
        }
    }
    done
}
