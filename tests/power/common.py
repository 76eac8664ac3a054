"""What the checks share: the binary, captures byte by byte, trees of files, and the tally."""

import concurrent.futures
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
YARDTAP = os.environ.get("YARDTAP", str(ROOT / "target/debug/yardtap"))
DEFS = ROOT / "signal-defs" / "velmora"
DEMO = ROOT / "demo-captures"
# All of it, instead of a sample that takes minutes.
LONG = os.environ.get("YARDTAP_POWER_LONG", "") not in ("", "0")
SEED = int(os.environ.get("YARDTAP_POWER_SEED", "20260217"))
CHANNELS = {"can0": "traction", "can1": "body"}


class Tally:
    """Counts checks; shows the first few that fail; fails when there were fewer than `at_least`."""

    def __init__(self, shown_max=12):
        self.passed = self.failed = 0
        self.shown_max = shown_max

    def true(self, what, holds, *lines):
        if holds:
            self.passed += 1
            return True
        self.failed += 1
        if self.failed <= self.shown_max:
            print(f"FAILS {what}")
            for line in lines:
                print(f"  {str(line)[:1500]}")
            sys.stdout.flush()
        return False

    def check(self, what, got, wanted, *lines):
        return self.true(what, got == wanted, f"got    {got!r}", f"wanted {wanted!r}", *lines)

    def end(self, at_least, told=""):
        if self.passed + self.failed < at_least:
            self.true("number of checks", False, f"{self.passed + self.failed}; {at_least} at least were to be made")
        print(f"{self.passed} checks passed, {self.failed} failed{told}")
        sys.exit(int(self.failed > 0))


class Ran:
    """What became of a process."""

    def __init__(self, status, out, err):
        self.status, self.out, self.err = status, out, err

    @property
    def panicked(self):
        return self.status == 101 or "panicked at" in self.err

    def told(self):
        return f"status {self.status}: {self.out[-300:]} {self.err[-1200:]}"


def yardtap(*arguments, under=(), timeout=120, env=None):
    """Runs the binary."""
    command = [*under, YARDTAP, *map(str, arguments)]
    settings = {**os.environ, "TZ": "UTC", "RUST_BACKTRACE": "1", **(env or {})}
    try:
        run = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, timeout=timeout, env=settings)
    except subprocess.TimeoutExpired as late:
        return Ran("late", "", f"{command} still ran after {timeout} s: {late.stderr}")
    return Ran(run.returncode, run.stdout.decode(errors="replace"), run.stderr.decode(errors="replace"))


def scratch(prefix):
    """A folder in memory: thousands of crashed trees are built and thrown away."""
    base = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    return Path(tempfile.mkdtemp(prefix=f"yardtap-{prefix}-", dir=base))


# --- captures ------------------------------------------------------------------------------------------------------


def pcapng(interfaces, packets):
    """A little-endian pcapng of microseconds. `packets`: (time_us, interface, record)."""
    out = [pcapng_head(interfaces)]
    out += [packet_block(*packet) for packet in packets]
    return b"".join(out)


def block(kind, body):
    body = body.ljust(-(-len(body) // 4) * 4, b"\0")
    length = struct.pack("<I", 12 + len(body))
    return struct.pack("<I", kind) + length + body + length


def pcapng_head(interfaces):
    out = [block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))]
    for name in interfaces:
        text = name.encode()
        option = struct.pack("<HH", 2, len(text)) + text.ljust(-(-len(text) // 4) * 4, b"\0") + bytes(4)
        out.append(block(1, struct.pack("<HHI", 227, 0, 0) + option))
    return b"".join(out)


def packet_block(time_us, interface, data):
    return block(6, struct.pack("<IIIII", interface, time_us >> 32, time_us & 0xFFFFFFFF, len(data), len(data)) + data)


def read_pcapng(data, strict=True):
    """(time_us, interface name, record) of every packet. `strict`: half a block at the end is an error."""
    names, packets, at = [], [], 0
    while at < len(data):
        whole = at + 12 <= len(data)
        kind, length = struct.unpack_from("<II", data, at) if whole else (0, 0)
        if not whole or length < 12 or at + length > len(data):
            if strict:
                raise ValueError(f"half a block at {at} of {len(data)} bytes")
            break
        if kind == 0x0A0D0D0A:
            names = []
        elif kind == 1:
            option, end, name = at + 16, at + length - 4, ""
            while option + 4 <= end:
                code, size = struct.unpack_from("<HH", data, option)
                if code == 0:
                    break
                if code == 2:
                    name = data[option + 4 : option + 4 + size].decode()
                option += 4 + -(-size // 4) * 4
            names.append(name)
        elif kind == 6:
            interface, high, low, kept, _ = struct.unpack_from("<IIIII", data, at + 8)
            packets.append((high << 32 | low, names[interface], data[at + 28 : at + 28 + kept].rstrip(b"\0")))
        at += length
    return packets


def demo_frames(vehicle, skip, count):
    """Frames of a demo capture: (time_us, interface name, record padded as link type 227 has it)."""
    folder = scratch("demo")
    try:
        plain = folder / "demo.pcapng"
        run = yardtap("frames", DEMO / "2026-02-17" / f"{vehicle}.pcapng.zst", "--to", plain)
        if run.status != 0:
            sys.exit(f"the demo cannot be read: {run.told()}")
        packets = read_pcapng(plain.read_bytes())
    finally:
        shutil.rmtree(folder)
    return [(time_us, name, record.ljust(16, b"\0")) for time_us, name, record in packets[skip : skip + count]]


def capture_of(frames):
    """A pcapng of frames whose interfaces are named."""
    names = list(CHANNELS)
    return pcapng(names, [(time_us, names.index(name), record) for time_us, name, record in frames])


# --- trees of files ------------------------------------------------------------------------------------------------


def tree_of(root):
    """Every file's bytes by its path; folders as None."""
    root, found = str(root), {}
    for folder, folders, files in os.walk(root):
        below = os.path.relpath(folder, root)
        for name in folders:
            found[os.path.normpath(os.path.join(below, name))] = None
        for name in files:
            with open(os.path.join(folder, name), "rb") as file:
                found[os.path.normpath(os.path.join(below, name))] = file.read()
    return found


def write_tree(root, tree):
    os.makedirs(root, exist_ok=True)
    for name in sorted(tree):
        path = os.path.join(root, name)
        if tree[name] is None:
            os.makedirs(path, exist_ok=True)
        else:
            os.makedirs(os.path.dirname(path), exist_ok=True)
            with open(path, "wb") as file:
                file.write(tree[name])


def difference(wanted, got):
    """None, or where two trees differ."""
    lines = [f"missing: {name}" for name in sorted(wanted.keys() - got.keys())]
    lines += [f"too much: {name}" for name in sorted(got.keys() - wanted.keys())]
    for name in sorted(wanted.keys() & got.keys()):
        if wanted[name] != got[name]:
            lines.append(f"differs: {name} ({len(got[name] or b'')} bytes, {len(wanted[name] or b'')} wanted)")
    return "; ".join(lines[:8]) or None


def seeded(*parts):
    return random.Random(f"{SEED}-{'-'.join(map(str, parts))}")


def in_parallel(jobs, work, at_once=None):
    """Does `work(job)` for every job, as many at once as there are cores, or more; gives the results in order."""
    workers = int(os.environ.get("YARDTAP_POWER_WORKERS", at_once or os.cpu_count() or 1))
    with concurrent.futures.ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, jobs))


def since(begun):
    return f"{time.monotonic() - begun:.0f} s"
