//! What only a kernel with SocketCAN can show, run in a guest by `tests/guest/run`.
//!
//! `guest cases` runs every case, one after another, and ends with a line that counts them; `guest record` is the recorder
//! as a process of its own; `guest send` fills a bus. Sending is this program's business only: nothing of it is in
//! yardtap. `guest calibrate` runs loops that need no CAN, so that figures of a guest can be held against a host's.

mod bus;
mod cases;
mod measure;
mod recording;
mod service;
mod trace;

use std::process::ExitCode;
use std::time::Duration;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match arguments.as_slice() {
        ["cases", only @ ..] => cases::run_all(only),
        ["measure"] => {
            measure::measure();
            ExitCode::SUCCESS
        }
        ["calibrate"] => {
            measure::calibrate();
            ExitCode::SUCCESS
        }
        ["record", folder, interfaces @ ..] => {
            recording::as_process(folder.as_ref(), interfaces);
            ExitCode::SUCCESS
        }
        ["send", interface, count, a_second] => {
            let (count, a_second) = (count.parse().expect("a count"), a_second.parse().expect("frames a second"));
            bus::Sender::open(interface).fill(count, a_second);
            ExitCode::SUCCESS
        }
        _ => {
            eprintln!(
                "guest cases [NAME …] | measure | calibrate | record FOLDER INTERFACE … | send INTERFACE COUNT A_SECOND"
            );
            ExitCode::FAILURE
        }
    }
}

/// Longest wait for anything in a case: an emulated machine on a busy one is slow. Waiting in vain fails the case.
pub const PATIENCE: Duration = Duration::from_secs(60);
