"""What the checks share: the binary, captures packed byte by byte, stores read by pyarrow, and the tally."""

import datetime
import json
import os
import shlex
import struct
import subprocess
import sys
import zoneinfo
from pathlib import Path

import pyarrow.parquet as pq

ROOT = Path(__file__).resolve().parents[2]
COMMAND = shlex.split(os.environ.get("YARDTAP", str(ROOT / "target/debug/yardtap")))
DEMO = ROOT / "demo-captures"
EXTENDED, REMOTE, ERROR = 0x80000000, 0x40000000, 0x20000000
EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.timezone.utc)


class Tally:
    """Counts comparisons; shows the first few that differ; fails when there were fewer than `at_least`."""

    def __init__(self, shown_max=20):
        self.passed = self.failed = 0
        self.shown_max = shown_max

    def check(self, what, got, wanted):
        if type(got) is type(wanted) and got == wanted:
            self.passed += 1
            return True
        return self.fail(what, f"got    {got!r}", f"wanted {wanted!r}")

    def near(self, what, got, wanted, tolerance):
        if got is not None and wanted is not None and abs(got - wanted) <= tolerance:
            self.passed += 1
            return True
        return self.fail(what, f"got    {got!r}", f"wanted {wanted!r} within {tolerance!r}")

    def true(self, what, holds):
        return self.check(what, bool(holds), True)

    def fail(self, what, *lines):
        self.failed += 1
        if self.failed <= self.shown_max:
            print(f"DIFFERS {what}")
            for line in lines:
                print(f"  {line[:600]}")
        return False

    def end(self, at_least):
        if self.passed + self.failed < at_least:
            self.fail("number of comparisons", f"{self.passed + self.failed}, {at_least} at least were to be made")
        print(f"{self.passed} comparisons passed, {self.failed} failed")
        sys.exit(int(self.failed > 0))


def yardtap(*arguments, status=(0,)):
    """Runs the binary; ends the check when its exit status is not one of `status`."""
    command = [*COMMAND, *map(str, arguments)]
    run = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    if run.returncode not in status:
        sys.exit(f"{' '.join(command)}: exit status {run.returncode}\n{run.stdout[-2000:]}{run.stderr[:3000]}")
    return run.stdout


def replay_demo(store, *more):
    """Files the demo captures, of which nothing is left out or damaged."""
    return yardtap("replay", DEMO, "--store", store, "--json", *more)


def json_rows(store, table="runs"):
    lines = yardtap("runs", "--store", store, "--table", table, "--json").splitlines()
    return [json.loads(line) for line in lines]


def us(text):
    """Microseconds since 1970 of an RFC 3339 time."""
    if text is None:
        return None
    moment = datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    return (moment - EPOCH) // datetime.timedelta(microseconds=1)


def zone_of(name):
    """A time zone by the package tzdata, never the system's: the binary carries its own copy, of that very version."""
    zoneinfo.reset_tzpath(to=[])
    return zoneinfo.ZoneInfo(name)


# --- captures ------------------------------------------------------------------------------------------------------


def record(can_id, data, kind="data", flags=0, length=None, raw_dlc=0):
    """A frame as link type 227 lays it out; `can_id` carries EXTENDED, of error frames ERROR too."""
    length = len(data) if length is None else length
    flags |= 4 if kind == "fd" else 0
    can_id |= REMOTE if kind == "remote" else ERROR if kind == "error" else 0
    body = struct.pack(">IBBBB", can_id, length, flags, 0, raw_dlc) + data
    return body.ljust(72 if kind == "fd" and len(body) > 16 else 16, b"\0")


def pcapng(interfaces, packets):
    """A little-endian pcapng of microseconds. `packets`: (time_us, interface, record)."""

    def block(kind, body):
        body = body.ljust(-(-len(body) // 4) * 4, b"\0")
        length = struct.pack("<I", 12 + len(body))
        return struct.pack("<I", kind) + length + body + length

    out = [block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))]
    for name in interfaces:
        text = name.encode()
        option = struct.pack("<HH", 2, len(text)) + text.ljust(-(-len(text) // 4) * 4, b"\0") + bytes(4)
        out.append(block(1, struct.pack("<HHI", 227, 0, 0) + option))
    for time_us, interface, data in packets:
        head = struct.pack("<IIIII", interface, time_us >> 32, time_us & 0xFFFFFFFF, len(data), len(data))
        out.append(block(6, head + data))
    return b"".join(out)


def interface_names(data):
    """Names of a pcapng's interfaces, in order; of one section without if_tsresol."""
    names, at = [], 0
    while at < len(data):
        kind, length = struct.unpack_from("<II", data, at)
        if kind == 1:
            option, end, name = at + 16, at + length - 4, ""
            while option + 4 <= end:
                code, size = struct.unpack_from("<HH", data, option)
                if code == 0:
                    break
                if code == 2:
                    name = data[option + 4 : option + 4 + size].decode()
                option += 4 + -(-size // 4) * 4
            names.append(name)
        at += length
    return names


def frame_rows(path):
    """Rows of `yardtap frames`: time_us, channel, id, kind, flags, len, raw_dlc, data, all as text."""
    lines = yardtap("frames", path).splitlines()
    if lines[0] != "time_us,channel,id,kind,flags,len,raw_dlc,data":
        sys.exit(f"{COMMAND} frames: heading is {lines[0]}")
    return [tuple(line.split(",")) for line in lines[1:]]


# --- stores --------------------------------------------------------------------------------------------------------


def read_file(path):
    return pq.ParquetFile(path).read()


def files_of(store, table):
    """Parquet files of `signals/message=x`, `raw`, `runs`, …"""
    return sorted(Path(store, table).rglob("*.parquet"))


def times_us(column):
    import pyarrow as pa

    return column.cast(pa.int64()).to_pylist()
