#!/usr/bin/env python3
"""Captures against other readers and writers: libpcap (through ctypes), scapy and python-pcapng.

    pip install scapy python-pcapng            # and the system's libpcap (Debian: libpcap0.8)
    YARDTAP=target/release/yardtap python3 tests/outside/captures.py [--frames 2000] [--seed 1]

YARDTAP frames FILE           prints time_us,channel,id,kind,flags,len,raw_dlc,data, one line a frame
YARDTAP frames FILE --to OUT  writes the frames as pcapng

(a) Files of many kinds, packed here byte by byte and, where it can, by scapy's or libpcap's own writer, are read by
    YARDTAP, and its rows compared with what was put in.
(b) Files written by YARDTAP are read by libpcap, scapy and python-pcapng, and compared with its rows, frame by frame.

Known differences of the other readers, which is why each is asked only what it knows: scapy and python-pcapng ignore
if_tsoffset; libpcap hands out the packets of one link type only and calls a simple packet's time 0.
"""

import argparse
import ctypes
import ctypes.util
import gzip
import os
import random
import shlex
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

EFF, RTR, ERR = 0x80000000, 0x40000000, 0x20000000
FD_LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
T0 = 1_700_000_000

passed = failed = 0


def check(what, got, wanted):
    """Compares two lists of rows and shows the first difference."""
    global passed, failed
    if got == wanted:
        passed += 1
        return
    failed += 1
    print(f"DIFFERS {what}: {len(got)} rows, {len(wanted)} wanted")
    for index, (a, b) in enumerate(zip(got, wanted)):
        if a != b:
            print(f"  row {index}\n    got    {a}\n    wanted {b}")
            break


# --- YARDTAP -----------------------------------------------------------------------------------------------------

COMMAND = shlex.split(os.environ.get("YARDTAP", "target/release/yardtap"))


def rows_of(path, status=0):
    """Rows that YARDTAP prints; exit status 3 where something was remarked on."""
    run = subprocess.run([*COMMAND, "frames", str(path)], capture_output=True, text=True)
    if run.returncode != status:
        sys.exit(f"{COMMAND} frames {path}: {run.stderr}")
    return [line for line in run.stdout.splitlines() if line[:1].isdigit() or line[:1] == "-"]


def rewrite(path, out):
    run = subprocess.run([*COMMAND, "frames", str(path), "--to", str(out)], capture_output=True, text=True)
    if run.returncode:
        sys.exit(f"{COMMAND} frames {path} --to {out}: {run.stderr}")


# --- frames and their records ------------------------------------------------------------------------------------


class Frame:
    def __init__(self, ns, channel, can_id, kind, flags, length, raw_dlc, data):
        self.ns, self.channel, self.id, self.kind = ns, channel, can_id, kind
        self.flags, self.length, self.raw_dlc, self.data = flags, length, raw_dlc, data

    def row(self, time_us=None, channel=None):
        digits = 8 if self.id & EFF else 3
        time_us = self.ns // 1000 if time_us is None else time_us
        channel = self.channel if channel is None else channel
        return (
            f"{time_us},{channel},{self.id & 0x1FFFFFFF:0{digits}X},{self.kind},{self.flags},{self.length},"
            f"{self.raw_dlc},{self.data.hex().upper()}"
        )

    def record(self, padded=True, order=">", fdf=True):
        """The CAN record; identifiers big-endian (link type 227) or in the order of the file (behind a cooked header)."""
        fd = self.kind == "fd"
        flags = self.flags | (4 if fd and fdf else 0)
        head = struct.pack(order + "I", self.id) + struct.pack("BBBB", self.length, flags, 0, self.raw_dlc)
        record = head + self.data
        if fd and not fdf:
            return record.ljust(72, b"\0")
        return record.ljust(72 if fd and len(record) > 16 else 16, b"\0") if padded else record

    def cooked(self, order):
        protocol = 0x0D if self.kind == "fd" else 0x0C
        return struct.pack(">HHH8sH", 0, 280, 0, b"", protocol) + self.record(order=order)


def any_frames(rng, count, channels=1):
    """Frames of every kind, times rising by up to 100 ms, in nanoseconds."""
    ns, frames = T0 * 10**9 + 123_456_789, []
    for _ in range(count):
        ns += rng.randrange(100_000_000)
        can_id = rng.choice([rng.randrange(0x800), rng.randrange(0x20000000) | EFF])
        kind = rng.choices(["data", "remote", "error", "fd"], [10, 1, 1, 4])[0]
        flags = raw_dlc = 0
        if kind == "fd":
            length, flags = rng.choice(FD_LENGTHS), rng.randrange(4)
        elif kind == "error":
            can_id, length = ERR | 1 << rng.randrange(10), 8
        else:
            length = rng.choice([8, 8, rng.randrange(9)])
            raw_dlc = rng.choice([0, 0, rng.randrange(9, 16)]) if length == 8 else 0
            can_id |= RTR if kind == "remote" else 0
        data = b"" if kind == "remote" else rng.randbytes(length)
        frames.append(Frame(ns, rng.randrange(channels), can_id, kind, flags, length, raw_dlc, data))
    return frames


# --- files, byte by byte -----------------------------------------------------------------------------------------


def pcap(packets, order="<", nanoseconds=False, link_type=227):
    magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
    out = [struct.pack(order + "IHHIIII", magic, 2, 4, 0, 0, 262144, link_type)]
    for ns, data in packets:
        fraction = ns % 10**9 // (1 if nanoseconds else 1000)
        out += [struct.pack(order + "IIII", ns // 10**9, fraction, len(data), len(data)), data]
    return b"".join(out)


def pad(data):
    return data.ljust(-(-len(data) // 4) * 4, b"\0")


class Blocks:
    """pcapng, block by block."""

    def __init__(self, order="<"):
        self.order, self.out = order, []

    def block(self, kind, body):
        length = struct.pack(self.order + "I", 12 + len(pad(body)))
        self.out.append(struct.pack(self.order + "I", kind) + length + pad(body) + length)
        return self

    def options(self, options):
        if not options:
            return b""
        return b"".join(struct.pack(self.order + "HH", code, len(v)) + pad(v) for code, v in [*options, (0, b"")])

    def section(self):
        return self.block(0x0A0D0D0A, struct.pack(self.order + "IHHq", 0x1A2B3C4D, 1, 0, -1))

    def interface(self, link_type=227, snap=0, name=None, resolution=None, offset=None):
        options = [(2, name.encode())] if name else []
        options += [(9, bytes([resolution]))] if resolution is not None else []
        options += [(14, struct.pack(self.order + "q", offset))] if offset is not None else []
        return self.block(1, struct.pack(self.order + "HHI", link_type, 0, snap) + self.options(options))

    def packet(self, interface, units, data, options=()):
        head = struct.pack(self.order + "IIIII", interface, units >> 32, units & 0xFFFFFFFF, len(data), len(data))
        return self.block(6, head + pad(data) + self.options(options))

    def old_packet(self, interface, units, data):
        head = struct.pack(
            self.order + "HHIIII", interface, 0xFFFF, units >> 32, units & 0xFFFFFFFF, len(data), len(data)
        )
        return self.block(2, head + data)

    def simple(self, data):
        return self.block(3, struct.pack(self.order + "I", len(data)) + data)

    def bytes(self):
        return b"".join(self.out)


# --- other readers -----------------------------------------------------------------------------------------------


class PacketHeader(ctypes.Structure):
    _fields_ = [
        ("seconds", ctypes.c_long),
        ("fraction", ctypes.c_long),
        ("captured", ctypes.c_uint32),
        ("original", ctypes.c_uint32),
    ]


def load_libpcap():
    name = ctypes.util.find_library("pcap") or "libpcap.so.0.8"
    library = ctypes.CDLL(name)
    library.pcap_open_offline_with_tstamp_precision.restype = ctypes.c_void_p
    library.pcap_open_offline_with_tstamp_precision.argtypes = [ctypes.c_char_p, ctypes.c_uint, ctypes.c_char_p]
    library.pcap_next_ex.argtypes = [
        ctypes.c_void_p,
        ctypes.POINTER(ctypes.POINTER(PacketHeader)),
        ctypes.POINTER(ctypes.c_void_p),
    ]
    library.pcap_close.argtypes = [ctypes.c_void_p]
    library.pcap_datalink.argtypes = [ctypes.c_void_p]
    library.pcap_open_dead_with_tstamp_precision.restype = ctypes.c_void_p
    library.pcap_dump_open.restype = ctypes.c_void_p
    library.pcap_dump_open.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    library.pcap_dump.argtypes = [ctypes.c_void_p, ctypes.POINTER(PacketHeader), ctypes.c_char_p]
    library.pcap_dump_close.argtypes = [ctypes.c_void_p]
    library.pcap_lib_version.restype = ctypes.c_char_p
    return library


def libpcap_packets(library, path):
    """(ns, bytes) of every packet, as libpcap tells them."""
    error = ctypes.create_string_buffer(256)
    handle = library.pcap_open_offline_with_tstamp_precision(str(path).encode(), 1, error)
    if not handle:
        sys.exit(f"libpcap: {path}: {error.value}")
    header, data, packets = ctypes.POINTER(PacketHeader)(), ctypes.c_void_p(), []
    while library.pcap_next_ex(handle, ctypes.byref(header), ctypes.byref(data)) == 1:
        head = header.contents
        packets.append((head.seconds * 10**9 + head.fraction, ctypes.string_at(data, head.captured)))
    library.pcap_close(handle)
    return packets


def libpcap_write(library, path, packets, nanoseconds):
    handle = library.pcap_open_dead_with_tstamp_precision(227, 262144, int(nanoseconds))
    dumper = library.pcap_dump_open(handle, str(path).encode())
    for ns, data in packets:
        fraction = ns % 10**9 // (1 if nanoseconds else 1000)
        head = PacketHeader(ns // 10**9, fraction, len(data), len(data))
        library.pcap_dump(dumper, ctypes.byref(head), data)
    library.pcap_dump_close(dumper)
    library.pcap_close(handle)


def row_of_record(time_us, channel, record):
    """A row from a record as written: an independent reading of the link type's page."""
    can_id = int.from_bytes(record[:4], "big")
    length, flags, dlc = record[4], record[5], record[7]
    if flags & 4 or len(record) == 72:
        kind, can_id = "fd", can_id & ~(RTR | ERR)
    elif can_id & ERR:
        kind = "error"
    else:
        kind = "remote" if can_id & RTR else "data"
    data = b"" if kind == "remote" else record[8 : 8 + length]
    raw_dlc = dlc if kind in ("data", "remote") and length == 8 and 9 <= dlc <= 15 else 0
    return Frame(0, channel, can_id, kind, flags & 3 if kind == "fd" else 0, length, raw_dlc, data).row(time_us)


# --- (a) others write, YARDTAP reads -----------------------------------------------------------------------------


def read_theirs(folder, rng, count, library):
    def compare(what, data, wanted, suffix="", status=0):
        path = folder / f"in{suffix}"
        path.write_bytes(data)
        check(what, rows_of(path, status), wanted)

    frames = any_frames(rng, count)
    packets = [(f.ns, f.record()) for f in frames]
    rows = [f.row() for f in frames]
    for order in "<>":
        for nanoseconds in (False, True):
            for padded in (True, False):
                data = pcap([(f.ns, f.record(padded)) for f in frames], order, nanoseconds)
                compare(f"pcap {order} ns={nanoseconds} padded={padded}", data, rows)
        cooked = pcap([(f.ns, f.cooked(order)) for f in frames], order, True, 113)
        compare(f"pcap cooked {order}", cooked, rows)
    compare("pcap FD by size alone", pcap([(f.ns, f.record(fdf=False)) for f in frames]), rows)

    many = any_frames(rng, count, channels=3)
    for order in "<>":
        # 10^-6, 10^-9 with an offset, 2^-20: each interface its own clock.
        blocks = Blocks(order).section()
        blocks.interface(name="can0").interface(name="can1", resolution=9, offset=T0).interface(resolution=0x94)
        wanted = []
        for index, f in enumerate(many):
            units = [f.ns // 1000, f.ns - T0 * 10**9, f.ns * 2**20 // 10**9][f.channel]
            time_us = [f.ns // 1000, f.ns // 1000, units * 10**6 >> 20][f.channel]
            options = [(), [(2, struct.pack(order + "I", 1))], [(1, b"a comment"), (4, bytes(8))]][index % 3]
            blocks.packet(f.channel, units, f.record(padded=index % 2 == 0), options)
            wanted.append(f.row(time_us))
            if index % 50 == 0:
                blocks.block([4, 5, 0xBAD, 0x40000BAD, 0x999][index // 50 % 5], rng.randbytes(8))
        compare(f"pcapng {order}", blocks.bytes(), wanted)

        for resolution in (0, 3, 5, 7, 9, 12, 15, 0x80, 0x8A, 0xA0, 0xBF):
            blocks = Blocks(order).section().interface(resolution=resolution, offset=-17)
            per_second = 2 ** (resolution & 0x7F) if resolution & 0x80 else 10**resolution
            wanted = []
            for f in frames[:50]:
                units = min(f.ns * per_second // 10**9, 2**64 - 1)
                blocks.packet(0, units, f.record())
                wanted.append(f.row(units * 10**6 // per_second - 17 * 10**6))
            compare(f"pcapng {order} resolution {resolution:#x}", blocks.bytes(), wanted)

        blocks = Blocks(order).section().interface(snap=24).interface(link_type=1, name="eth0")
        wanted, last_us = [], 0
        for index, f in enumerate([f for f in frames if f.length <= 8][:60]):
            if index % 3 == 0:
                blocks.simple(f.record())
                wanted.append(f.row(last_us))
            else:
                (blocks.old_packet if index % 3 == 1 else blocks.packet)(0, f.ns // 1000, f.record())
                last_us = f.ns // 1000
                wanted.append(f.row())
            blocks.packet(1, 1, b"\xff" * 60)
        compare(f"pcapng {order} simple, obsolete and foreign packets", blocks.bytes(), wanted, status=3)

    # Sections of both byte orders, whose interfaces come in another order.
    first = Blocks("<").section().interface(name="can0").interface(name="can1")
    second = Blocks(">").section().interface(name="can1").interface(name="can2").interface(name="can0")
    wanted = []
    for f in frames[:50]:
        first.packet(1, f.ns // 1000, f.record())
        wanted.append(f.row(channel=1))
    for index, f in enumerate(frames[50:110]):
        second.packet(index % 3, f.ns // 1000, f.record())
        wanted.append(f.row(channel=[1, 2, 0][index % 3]))
    whole = first.bytes() + second.bytes()
    compare("pcapng two sections", whole, wanted)
    compare("pcapng gzip", gzip.compress(whole), wanted, ".misleading.pcap")
    compare("pcapng gzip, two members", gzip.compress(whole[:999]) + gzip.compress(whole[999:]), wanted, ".txt")
    for cut in range(1, 40):
        path = folder / "cut"
        path.write_bytes(whole[:-cut])
        check(f"pcapng less {cut} bytes", rows_of(path, 3), wanted[:-1])

    if library:
        for nanoseconds in (False, True):
            path = folder / "libpcap"
            libpcap_write(library, path, packets, nanoseconds)
            check(f"written by libpcap ns={nanoseconds}", rows_of(path), rows)


def read_scapys(folder, rng, count):
    from scapy.layers.can import CAN, CANFD
    from scapy.utils import PcapNgWriter, PcapWriter

    frames = [f for f in any_frames(rng, count) if f.raw_dlc == 0 and f.kind != "error"]
    packets = []
    for f in frames:
        flags = f.id >> 29
        if f.kind == "fd":
            packet = CANFD(flags=flags, identifier=f.id & 0x1FFFFFFF, length=f.length, fd_flags=f.flags | 4, data=f.data)
        else:
            packet = CAN(flags=flags, identifier=f.id & 0x1FFFFFFF, length=f.length, data=f.data)
        packet.time = f.ns // 1000 / 10**6
        packets.append(packet)
    # scapy's times are floating-point numbers, so they are compared to the microsecond on either side.
    def compare(what, path):
        got = [row.split(",", 1) for row in rows_of(path)]
        wanted = [f.row().split(",", 1) for f in frames]
        check(what, [rest for _, rest in got], [rest for _, rest in wanted])
        near = all(abs(int(a) - int(b)) <= 1 for (a, _), (b, _) in zip(got, wanted))
        check(f"{what}: times", [near], [True])

    path = folder / "scapy.pcap"
    with PcapWriter(str(path), linktype=227, nano=True) as writer:
        for packet in packets:
            writer.write(packet)
    compare("written by scapy as pcap", path)
    path = folder / "scapy.pcapng"
    with PcapNgWriter(str(path)) as writer:
        writer.linktype = 227
        for packet in packets:
            writer.write(packet)
    compare("written by scapy as pcapng", path)


# --- (b) YARDTAP writes, others read -----------------------------------------------------------------------------


def write_ours(folder, rng, count, library):
    frames = any_frames(rng, count, channels=3)
    blocks = Blocks().section().interface(name="can0").interface(name="can1").interface(name="traction")
    for f in frames:
        blocks.packet(f.channel, f.ns // 1000, f.record())
    source = folder / "source.pcapng"
    source.write_bytes(blocks.bytes())
    ours = folder / "ours.pcapng"
    rewrite(source, ours)
    rows = rows_of(source)
    check("read, written, read", rows_of(ours), rows)
    check("rows", rows, [f.row() for f in frames])
    for suffix in (".gz", ".zst"):
        packed = folder / ("ours.pcapng" + suffix)
        rewrite(source, packed)
        check(f"read, written packed, read {suffix}", rows_of(packed), rows)
    if gzip.open(folder / "ours.pcapng.gz").read() != ours.read_bytes():
        check("gzip by others", [], ["the same bytes"])

    if library:
        # libpcap does not tell the interface, so channels are left out.
        got = [row_of_record(ns // 1000, 0, data) for ns, data in libpcap_packets(library, ours)]
        check("libpcap reads ours", got, [f.row(channel=0) for f in frames])

    try:
        from scapy.utils import RawPcapNgReader
    except ImportError:
        print("scapy is not there: not compared")
    else:
        got = []
        for data, meta in RawPcapNgReader(str(ours)):
            units = meta.tshigh << 32 | meta.tslow
            check("scapy reads our resolution", [meta.tsresol], [10**6])
            channel = [b"can0", b"can1", b"traction"].index(meta.ifname)
            got.append(row_of_record(units, channel, data))
        check("scapy reads ours", got, rows)

        from scapy.layers.can import CAN, CANFD
        from scapy.utils import rdpcap

        for packet, f in zip(rdpcap(str(ours)), frames):
            fields = (int(packet.flags) << 29 | packet.identifier, packet.length, bytes(packet.data)[: packet.length])
            wanted = (f.id, f.length, f.data)
            if f.kind == "fd":
                fields += (isinstance(packet, CANFD), int(packet.fd_flags))
                wanted += (True, f.flags | 4)
            else:
                fields += (isinstance(packet, CAN),)
                wanted += (True,)
            check("scapy dissects ours", [fields], [wanted])

    try:
        from pcapng import FileScanner
        from pcapng.blocks import EnhancedPacket, InterfaceDescription
    except ImportError:
        print("python-pcapng is not there: not compared")
    else:
        names, got = [], []
        with open(ours, "rb") as file:
            for block in FileScanner(file):
                if isinstance(block, InterfaceDescription):
                    names.append(block.options["if_name"])
                elif isinstance(block, EnhancedPacket):
                    units = block.timestamp_high << 32 | block.timestamp_low
                    got.append(row_of_record(units, block.interface_id, block.packet_data))
        check("python-pcapng reads our names", names, ["can0", "can1", "traction"])
        check("python-pcapng reads ours", got, rows)


def main():
    parser = argparse.ArgumentParser(description="Captures against other readers and writers.")
    parser.add_argument("--frames", type=int, default=2000, help="frames in each file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--strict", action="store_true", help="fail if another reader is missing")
    arguments = parser.parse_args()
    print(f"seed {arguments.seed}")
    rng = random.Random(arguments.seed)
    try:
        library = load_libpcap()
        print(library.pcap_lib_version().decode())
    except OSError as error:
        print(f"libpcap is not there: not compared ({error})")
        library = None
        if arguments.strict:
            return 1
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        read_theirs(folder, rng, arguments.frames, library)
        try:
            import scapy.layers.can  # noqa: F401
        except ImportError:
            print("scapy is not there: not compared")
            if arguments.strict:
                return 1
        else:
            read_scapys(folder, rng, arguments.frames)
        write_ours(folder, rng, arguments.frames, library)
    print(f"{passed} passed, {failed} failed")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
