#!/usr/bin/env python3
"""Hostile names, captures that grow while they are read, clocks that step, and a definition set of 100,000 messages."""

import os
import shutil
import struct
import subprocess
import threading
import time

from common import CHANNELS, YARDTAP, Tally, capture_of, demo_frames, pcapng, read_pcapng, scratch, seeded, since, tree_of, yardtap
from yard import CONFIG

HOUR_US = 3_600_000_000


def given_back(tally, what, store, wanted, *which):
    """Checks that the store gives exactly these frames."""
    again = store.with_suffix(".again.pcapng")
    run = yardtap("restore", "--store", store, *which, "--to", again)
    if tally.check(f"{what}: given back", run.status, 0, run.told()):
        got = read_pcapng(again.read_bytes())
        wanted = sorted((t, CHANNELS.get(c, c), r.rstrip(b"\0")) for t, c, r in wanted)
        tally.check(f"{what}: frames", len(got), len(wanted))
        tally.true(f"{what}: the frames are those", sorted(got) == wanted)


def hostile_names(tally, folder):
    """Captures whose names are newlines, control characters, no text at all, options, as long as may be, or quotes."""
    names = [b"line\nbreak.pcapng", b"\x1b[2Jescape.pcapng", b"not\xff\xfetext.pcapng", b"-rf.pcapng", b"--store", b"x" * 255,
             b"'\"$(true)`;&|.pcapng", b" .pcapng", b"*.pcapng", b"\xe2\x80\xaeright-to-left.pcapng", "ü".encode() * 100]
    captures = folder / "names"
    captures.mkdir()
    (captures / "yardtap.toml").write_text(CONFIG)
    for number, name in enumerate(names):
        path = os.path.join(os.fsencode(captures), name)
        with open(path, "wb") as file:
            file.write(capture_of(demo_frames(207, number * 300, 300)))
    os.mkfifo(captures / "pipe.pcapng")
    os.symlink("/dev/zero", captures / "zero.pcapng")
    os.symlink("loop.pcapng", captures / "loop.pcapng")
    (captures / "folder.pcapng").mkdir()
    store = folder / "names-store"
    run = yardtap("replay", captures, "--store", store, "--json", "-v", timeout=60)
    tally.true("hostile names: filed", run.status == 0 and not run.panicked, run.told())
    tally.true("hostile names: no control characters reach the terminal", "\x1b[2J" not in run.err + run.out, run.told())
    records = [name for name in tree_of(store) if name.startswith("filed/") and name.endswith(".json")]
    tally.check("hostile names: captures filed", len(records), len(names))
    given_back(tally, "hostile names", store, demo_frames(207, 0, 300 * len(names)), "--vehicle", "207")
    for name in tree_of(store):
        tally.true(f"hostile names: {name!r} in the store", "\n" not in name and "\x1b" not in name)


def growing_capture(tally, folder):
    """A capture that another process is still writing is filed as far as it goes; filed again when whole, nothing is twice."""
    frames = demo_frames(207, 0, 12_000)
    whole = capture_of(frames)
    path, store = folder / "growing.pcapng", folder / "growing-store"
    (folder / "yardtap.toml").write_text(CONFIG)
    rng, stop = seeded("growing"), threading.Event()
    path.write_bytes(whole[: len(whole) // 4])

    def grow():
        with open(path, "r+b", buffering=0) as file:
            at = file.seek(0, os.SEEK_END)
            while at < len(whole) and not stop.is_set():
                step = rng.randrange(1, 3_000)
                file.write(whole[at : at + step])
                at += step
                time.sleep(0.002)

    writer = threading.Thread(target=grow)
    writer.start()
    for _ in range(6):
        run = yardtap("replay", path, "--store", store, "--json", "--leave-open")
        tally.true("growing capture: how it ended", run.status in (0, 3) and not run.panicked, run.told())
    stop.set()
    writer.join()
    path.write_bytes(whole)
    run = yardtap("replay", path, "--store", store, "--json")
    tally.check("growing capture: the whole", run.status, 0, run.told())
    given_back(tally, "growing capture", store, frames, "--vehicle", "207")


def stepping_clock(tally, folder):
    """The vehicle's clock steps an hour back, and on, across the night in which the agency's clocks change."""
    # 2026-03-29, 01:00 UTC: Vienna goes from 02:00 to 03:00.
    change_us = 1_774_746_000_000_000
    frames = demo_frames(207, 0, 4_000)
    base_us = frames[0][0]
    for what, steps in {
        "forward an hour": [0, HOUR_US],
        "back an hour": [0, -HOUR_US],
        "back and on": [0, -HOUR_US, 0],
        "to a clock that was never set": [0, -change_us + 100_000_000],
        "thirty hours on": [0, 30 * HOUR_US],
    }.items():
        moved, each = [], len(frames) // len(steps)
        for index, (time_us, channel, record) in enumerate(frames):
            step = steps[min(index // each, len(steps) - 1)]
            moved.append((change_us - 30_000_000 + time_us - base_us + step, channel, record))
        path, store = folder / f"clock-{what.replace(' ', '-')}.pcapng", folder / f"clock-{what.replace(' ', '-')}"
        path.write_bytes(capture_of(moved))
        run = yardtap("replay", path, "--store", store, "--json")
        tally.true(f"clock {what}: filed", run.status in (0, 3) and not run.panicked, run.told())
        given_back(tally, f"clock {what}", store, moved, "--vehicle", "207")


def many_definitions(tally, folder):
    """A hundred thousand messages, checked and used, in bounded memory."""
    count, used = 100_000, 2_000
    defs = folder / "many"
    defs.mkdir()
    for part in range(10):
        lines = ["format = 1\n"]
        if part == 0:
            lines.append('[bus.traction]\nprotocol = "plain"\nbitrate = 250_000\n')
        for number in range(part * count // 10, (part + 1) * count // 10):
            lines.append(
                f'[[message]]\nname = "m{number}"\nbus = "traction"\nextended_id = 0x{number * 16:08X}\nlength = 8\nperiod = "1s"\n'
                f'  [[message.signal]]\n  name = "value"\n  lsb = "1.1"\n  bits = 16\n  scale = 0.5\n  unit = "V"\n'
                f'  [[message.example]]\n  data = "10 00 FF FF FF FF FF FF"\n  expect = {{ value = 8.0 }}\n')
        (defs / f"part{part}.toml").write_text("\n".join(lines))
    rng = seeded("definitions")
    chosen = [rng.randrange(count) * 16 for _ in range(used)]
    packets = [(1_771_300_000_000_000 + index * 700, 0, struct.pack(">IBBBB", rng.choice(chosen) | 0x80000000, 8, 0, 0, 0)
                + struct.pack("<HHI", index & 0xFFFF, 0xFFFF, 0xFFFFFFFF)) for index in range(40_000)]
    capture, store = folder / "many.pcapng", folder / "many-store"
    capture.write_bytes(pcapng(["can0"], packets))
    run = yardtap("check", defs, timeout=300)
    tally.true("100,000 messages: check", run.status == 0 and not run.panicked, run.told())
    command = [YARDTAP, "replay", capture, "--store", store, "--defs", defs, "--bus", "traction", "--vehicle", "1", "--json"]
    begun = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    _, status, usage = os.wait4(process.pid, 0)
    errors = process.stderr.read().decode(errors="replace")
    took = time.monotonic() - begun
    tally.check("100,000 messages: replay", status, 0, errors[-800:])
    mib = usage.ru_maxrss // 1024
    tally.true(f"100,000 messages: {mib} MiB", mib < 800)
    if status == 0:
        wanted = [(t, "traction", r) for t, _, r in packets]
        given_back(tally, "100,000 messages", store, wanted, "--vehicle", "1")
    # A mistake that is made thousands of times is told as often, and not after hours.
    wrong = folder / "wrong"
    wrong.mkdir()
    (wrong / "part.toml").write_text("".join((defs / f"part{part}.toml").read_text().replace("length = 8\n", "").replace(
        "format = 1\n", "" if part else "format = 1\n") for part in range(2)))
    run = yardtap("check", wrong)
    tally.check("20,000 mistakes: told", sum(line.startswith("error: ") for line in run.err.splitlines() + run.out.splitlines()), 20_000)
    tally.check("20,000 mistakes: how it ended", run.status, 1, run.told())
    return f"100,000 messages: {took:.0f} s, {mib} MiB"


def main():
    begun, tally, folder = time.monotonic(), Tally(), scratch("oddities")
    try:
        hostile_names(tally, folder)
        growing_capture(tally, folder)
        stepping_clock(tally, folder)
        told = many_definitions(tally, folder)
        tally.end(at_least=40, told=f"; {told}; {since(begun)}")
    finally:
        shutil.rmtree(folder)


main()
