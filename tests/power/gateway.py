"""The service, and what stands around it: a service manager's socket, and programs that write frames into its pipes.

Frames carry numbers, so that each can be looked for; the feeder knows when it had handed each over.
"""

import errno
import os
import signal
import socket
import struct
import subprocess
import threading
import time

from common import CHANNELS, DEFS, YARDTAP, packet_block, pcapng_head, read_pcapng, yardtap

# Of the definition set, with all bits used and not; and identifiers that nothing defines.
IDS = {"traction": [0x18FF1527, 0x18FF182A, 0x1ABC0042], "body": [0x110, 0x140, 0x7AB]}
PATIENCE_S = 90
# What the design promises of a power cut.
PROMISE_S = 1.0


def frame(bus, number):
    """Record of frame `number` of a bus."""
    can_id = IDS[bus][number % len(IDS[bus])]
    can_id |= 0x80000000 if can_id > 0x7FF else 0
    return struct.pack(">IBBBB", can_id, 8, 0, 0, 0) + struct.pack("<IHBB", number, number * 40503 & 0xFFFF, number & 0x7F, 0x55)


class Feeder:
    """Writes frames into a pipe as they come in life: some every few milliseconds, stamped with the time of day."""

    def __init__(self, path, bus, per_second=500, at_speed=False):
        self.path, self.bus, self.per_second, self.at_speed = path, bus, per_second, at_speed
        # (when the write that held it returned, s; time_us) of each frame, by its number.
        self.sent = []
        self.ending = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)

    def start(self):
        self.thread.start()
        return self

    def stop(self):
        self.ending.set()
        self.thread.join(30)

    def _open(self):
        while not self.ending.is_set():
            try:
                pipe = os.open(self.path, os.O_WRONLY | os.O_NONBLOCK)
                os.set_blocking(pipe, False)
                return pipe
            except OSError as error:
                if error.errno not in (errno.ENXIO, errno.ENOENT):
                    raise
                time.sleep(0.01)
        return None

    def _write(self, pipe, data):
        """Whether all was taken; waits while the pipe is full."""
        while data and not self.ending.is_set():
            try:
                data = data[os.write(pipe, data) :]
            except BlockingIOError:
                time.sleep(0.002)
        return not data

    def _run(self):
        last_us = 0
        while not self.ending.is_set():
            pipe = self._open()
            if pipe is None:
                return
            try:
                self._write(pipe, pcapng_head([os.path.basename(self.path)]))
                begun, count = time.monotonic(), 0
                while not self.ending.is_set():
                    due = int((time.monotonic() - begun) * self.per_second) - count
                    if due <= 0:
                        time.sleep(0.004)
                        continue
                    blocks, times = [], []
                    for _ in range(min(due, 2_000)):
                        last_us = max(last_us + 1, time.time_ns() // 1000)
                        times.append(last_us)
                        blocks.append(packet_block(last_us, 0, frame(self.bus, len(self.sent) + len(times) - 1)))
                    # Known before it is written: what of a broken write was read, nobody can tell.
                    first = len(self.sent)
                    self.sent += [(float("inf"), time_us) for time_us in times]
                    if self._write(pipe, b"".join(blocks)):
                        at = time.time()
                        self.sent[first:] = [(at, time_us) for time_us in times]
                    count += len(times)
            except BrokenPipeError:
                pass
            finally:
                os.close(pipe)


class Gateway:
    """A configuration and the process that runs it. Its store is `root`/store."""

    def __init__(self, outside, root, more="", settings="", listen="", inbox=False):
        self.outside, self.root, self.store = outside, root, root / "store"
        self.pipes = {bus: outside / f"{bus}.pipe" for bus in CHANNELS.values()}
        for pipe in self.pipes.values():
            if not pipe.exists():
                os.mkfifo(pipe)
        buses = "".join(f'[[tap.bus]]\nbus = "{bus}"\npipe = "{pipe}"\n' for bus, pipe in self.pipes.items())
        self.inbox = root / "inbox" if inbox else None
        if inbox:
            # What comes by the inbox is another vehicle's, so that it can be told from what is recorded.
            more += 'vehicle = "208"\n[channels]\n' + "".join(f'{name} = "{bus}"\n' for name, bus in CHANNELS.items())
            settings += (f'[inbox]\nfolder = "{self.inbox}"\nsettle = "1s"\nafterwards = "delete"\n'
                         f'quarantine = "{root / "quarantine"}"\n')
        self.config = outside / f"{root.name}.toml"
        self.config.write_text(
            f'definitions = "{DEFS}"\nstore = "{self.store}"\nzone = "Europe/Vienna"\nday_starts = "04:00"\n{more}\n'
            f'[[tap]]\nname = "lead"\nvehicle = "207"\n{buses}\n'
            f'[journal]\nsegment_time = "10s"\nsegment_size = "1MiB"\n{settings}\n'
            f'[retention]\nkeep_free = "64MiB"\n[pages]\nlisten = "{listen}"\n')
        self.process = None
        self.errors = outside / f"{root.name}.err"

    def start(self, under=(), program=YARDTAP):
        """Starts it, and waits until it says that it is ready. Gives None, or what went wrong."""
        name = str(self.outside / f"{self.root.name}.notify")
        if os.path.exists(name):
            os.unlink(name)
        self.told = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.told.bind(name)
        os.chmod(name, 0o777)
        self.told.settimeout(0.2)
        command = [*under, str(program), "gateway", "--config", str(self.config)]
        environment = {**os.environ, "NOTIFY_SOCKET": name, "TZ": "UTC", "RUST_BACKTRACE": "1"}
        with open(self.errors, "ab") as errors:
            self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=errors, stderr=errors, env=environment)
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            if "READY=1" in self.news():
                return None
            if self.process.poll() is not None:
                return f"ended before it was ready, status {self.process.returncode}: {self.said()}"
        self.kill()
        return f"was not ready after {PATIENCE_S} s: {self.said()}"

    def news(self):
        """What it told the service manager since the last call."""
        told = ""
        try:
            while True:
                told += self.told.recv(65536).decode(errors="replace") + "\n"
        except OSError:
            return told

    def said(self):
        return self.errors.read_text(errors="replace")[-1500:] if self.errors.exists() else ""

    def alive(self):
        return self.process.poll() is None

    def kill(self):
        if self.alive():
            self.process.kill()
        self.process.wait()
        self.told.close()

    def stop(self, tracee=None):
        """Asks for an end. Gives None, or what went wrong."""
        os.kill(tracee or self.process.pid, signal.SIGTERM)
        try:
            self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.kill()
            return f"did not end within {PATIENCE_S} s: {self.said()}"
        self.told.close()
        text = self.errors.read_text(errors="replace")
        if self.process.returncode != 0 or "panicked" in text:
            return f"ended with status {self.process.returncode}: {text[-1500:]}"
        return None

    def tracee(self):
        """The process under strace."""
        with open(f"/proc/{self.process.pid}/task/{self.process.pid}/children", encoding="ascii") as children:
            return int(children.read().split()[0])

    def unfiled(self):
        """Segments of the journal that wait to be filed, and unfinished ones."""
        return sorted(path.name for path in self.store.glob("journal/*/*") if path.is_file())

    def wait_filed(self):
        """Waits until the journal is filed but for what is being recorded. Gives None, or what is left."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            if not [name for name in self.unfiled() if name.endswith(".pcapng")]:
                return None
            if not self.alive():
                return f"ended: {self.said()}"
            time.sleep(0.05)
        return f"not filed after {PATIENCE_S} s: {self.unfiled()} {self.said()}"

    def wait_inbox(self):
        """Waits until the inbox is empty. Gives None, or what is left."""
        until = time.monotonic() + PATIENCE_S
        while self.inbox and any(path.is_file() for path in self.inbox.rglob("*")):
            if time.monotonic() > until:
                return f"the inbox is not empty after {PATIENCE_S} s: {sorted(self.inbox.rglob('*'))} {self.said()}"
            time.sleep(0.05)
        return None

    def recovered(self):
        """Starts it after whatever happened, has it file what is left, and ends it. Gives None, or what went wrong."""
        return self.start() or self.wait_filed() or self.wait_inbox() or self.stop() or (self.unfiled() and f"left: {self.unfiled()}") or None

    def given_back(self, vehicle):
        """All frames of a vehicle as the store has them: (time_us, bus, record); or what went wrong."""
        again = self.outside / f"{self.root.name}.{vehicle}.pcapng"
        run = yardtap("restore", "--store", self.store, "--vehicle", vehicle, "--to", again)
        return read_pcapng(again.read_bytes()) if run.status == 0 and not run.panicked else run.told()

    def frames(self):
        """Frames of the store, by bus: (time_us, number); or what went wrong."""
        packets = self.given_back("207")
        if isinstance(packets, str):
            return f"frames are not given back: {packets}"
        found = {bus: [] for bus in CHANNELS.values()}
        for time_us, bus, record in packets:
            number = struct.unpack("<I", record[8:12].ljust(4, b"\0"))[0]
            if record.ljust(16, b"\0") != frame(bus, number):
                return f"a frame that nobody sent, on {bus} at {time_us}: {record.hex()}"
            found[bus].append((time_us, number))
        return found


def end_all(gateway, feeders):
    """Nothing of a check goes on, however it ended."""
    for feeder in feeders.values():
        feeder.stop()
    if gateway and gateway.process and gateway.alive():
        gateway.kill()


def what_is_missing(sent, got, before_s):
    """None, or what is wrong: each frame at most once and as sent, and all of them there that had been handed over by then.

    `sent`: of one feeder. Frames that were read and lost leave a gap only at the end of a session."""
    numbers = [number for _, number in got]
    if len(set(numbers)) != len(numbers):
        twice = sorted(number for number in set(numbers) if numbers.count(number) > 1) if len(numbers) < 20_000 else "some"
        return f"frames are there twice: {twice!r:.200}"
    for time_us, number in got:
        if number >= len(sent) or sent[number][1] != time_us:
            return f"frame {number} is there with another time: {time_us}"
    wanted = {number for number, (at, _) in enumerate(sent) if at <= before_s}
    missing = wanted - set(numbers)
    if missing:
        at = max(sent[number][0] for number in missing)
        return f"{len(missing)} of {len(wanted)} frames are missing, {min(missing)} to {max(missing)}; the last was handed over {before_s - at:.3f} s before the limit"
    return None
