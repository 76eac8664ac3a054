#!/usr/bin/env python3
"""A day of one vehicle, as fast as the pipe takes it: memory stays flat, no frame is lost, and the runs are those of a replay.

The demo's hour, again and again for 24 hours (6 unless long), its frames' clock moved on. Times come with the frames; the
clock steps back an hour once, as a recorder's does that is set.
"""

import os
import shutil
import threading
import time

from common import CHANNELS, LONG, Tally, demo_frames, packet_block, pcapng_head, read_pcapng, scratch, since, yardtap
from gateway import Gateway

HOURS = int(os.environ.get("YARDTAP_POWER_HOURS", 24 if LONG else 6))
# Resident memory of the service with two buses, of which it promises no more than this.
MEMORY_MIB = 100


class Hour:
    """The demo's hour as pcapng, by second, ready to be moved in time."""

    def __init__(self):
        self.frames = demo_frames(207, 0, 10**9)
        self.first_us = self.frames[0][0]
        self.length_us = (self.frames[-1][0] - self.first_us) // 1_000_000 * 1_000_000 + 2_000_000

    def moved(self, by_us):
        """For each second: bytes of each bus."""
        second, until, parts = 0, self.first_us + 1_000_000, {name: [] for name in CHANNELS}
        for time_us, name, record in self.frames:
            if time_us >= until:
                yield {name: b"".join(blocks) for name, blocks in parts.items()}
                parts = {name: [] for name in CHANNELS}
                until = time_us + 1_000_000
            parts[name].append(packet_block(time_us + by_us, 0, record))
        yield {name: b"".join(blocks) for name, blocks in parts.items()}


class Memory:
    """Samples a process's resident memory."""

    def __init__(self, pid):
        self.pid, self.samples, self.ending = pid, [], threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self):
        while not self.ending.wait(0.1):
            try:
                with open(f"/proc/{self.pid}/status", encoding="ascii") as status:
                    kib = next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))
                self.samples.append(kib / 1024)
            except (OSError, StopIteration):
                return

    def end(self):
        self.ending.set()
        self.thread.join()
        return self.samples


def feed(gateway, hour, steps):
    """Writes all hours into the pipes, second by second; the pipes hold it up. Gives the number of frames."""
    pipes = {}
    for name, bus in CHANNELS.items():
        pipes[name] = os.open(gateway.pipes[bus], os.O_WRONLY)
        write_all(pipes[name], pcapng_head([name]))
    for by_us in steps:
        for parts in hour.moved(by_us):
            for name, data in parts.items():
                write_all(pipes[name], data)
    for pipe in pipes.values():
        os.close(pipe)


def write_all(pipe, data):
    view = memoryview(data)
    while view:
        view = view[os.write(pipe, view) :]


def runs_of(store):
    run = yardtap("runs", "--store", store, "--json")
    return run.out if run.status == 0 else run.told()


def main():
    begun, tally, folder = time.monotonic(), Tally(), scratch("day")
    try:
        hour = Hour()
        steps = [number * hour.length_us for number in range(HOURS)]
        # Set back by an hour in the middle: what follows stands among what was recorded before.
        steps[HOURS // 2 :] = [step - 3_600_000_000 + 123_457 for step in steps[HOURS // 2 :]]
        root = folder / "root"
        root.mkdir()
        gateway = Gateway(folder, root, settings='sync_every = "500ms"')
        # As the unit has it.
        wrong = gateway.start(under=("env", "MALLOC_ARENA_MAX=2"))
        if tally.true(f"start: {wrong}", wrong is None):
            memory = Memory(gateway.process.pid)
            feed(gateway, hour, steps)
            fed = time.monotonic() - begun
            wrong = gateway.stop()
            tally.true(f"end: {wrong}", wrong is None)
            samples = memory.end()
            if os.environ.get("YARDTAP_POWER_SAMPLES"):
                print([round(sample) for sample in samples])
            wrong = gateway.recovered()
            tally.true(f"filing the rest: {wrong}", wrong is None)
            quarter = len(samples) // 4
            middle, last = (sorted(part)[len(part) // 2] for part in (samples[quarter : 2 * quarter], samples[-quarter:]))
            tally.true(f"memory: {max(samples):.0f} MiB at most", max(samples) < MEMORY_MIB)
            tally.true(f"memory grows: {middle:.0f} MiB in the second quarter, {last:.0f} in the last", last < middle * 1.25)
            again = folder / "again.pcapng"
            run = yardtap("restore", "--store", gateway.store, "--vehicle", "207", "--to", again, timeout=600)
            tally.check("given back", run.status, 0, run.told())
            got = sorted(read_pcapng(again.read_bytes()))
            wanted = sorted((t + by, CHANNELS[c], r.rstrip(b"\0")) for by in steps for t, c, r in hour.frames)
            tally.check("frames", len(got), len(wanted))
            tally.true("the frames are those", got == wanted)
            tally.end(at_least=6, told=f"; {HOURS} h, {len(wanted)} frames in {fed:.0f} s, {max(samples):.0f} MiB, {since(begun)}")
        tally.end(at_least=6)
    finally:
        shutil.rmtree(folder)


main()
