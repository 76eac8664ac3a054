#!/usr/bin/env python3
"""Bus load against a slow encoder that puts every bit of a frame on the wire, one by one.

Classical frames by ISO 11898-1 (as Bosch, CAN Specification 2.0, 1991): CRC of 15 bits by polynomial division, a stuff bit
after five equal bits from start of frame to the CRC's end. CAN FD: stuff bits in header and data; a CRC field of 27 or 32
bits, fixed stuff bits among them (field lengths as in the Linux kernel's include/linux/can/length.h). No frame is longer
than the bounds of R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, Real-Time Systems 35 (2007) 239-272.

At 1 Mbit/s a bit is a microsecond: a frame alone in its hour shows its length as the load of the busiest second.
"""

import random
import tempfile
from pathlib import Path

from common import EXTENDED, Tally, json_rows, pcapng, record, us, yardtap

T0 = 1_770_008_400_000_000  # an hour's start
HOUR = 3_600_000_000
CRC_15 = 0b1100010110011001
FD_LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
# identifier, data: length to the end of EOF, computed by two other routines.
VECTORS = [
    (0x014, "01", 55), (0x000, "", 50), (0x000, "00" * 8, 124), (0x7FF, "FF" * 8, 123), (0x123, "1122334455667788", 109),
    (0x705, "05", 56), (0x18FECA00 | EXTENDED, "FF" * 8, 144), (EXTENDED, "00" * 8, 147), (0x1FFFFFFF | EXTENDED, "FF" * 8, 146),
]


def number(value, width):
    return [int(digit) for digit in f"{value:0{width}b}"] if width else []


def crc(bits):
    """Remainder of the bits, fifteen zeros behind them, by long division."""
    rest = bits + [0] * 15
    divisor = number(CRC_15, 16)
    for at in range(len(bits)):
        if rest[at]:
            for place, bit in enumerate(divisor):
                rest[at + place] ^= bit
    return rest[-15:]


def stuffed(bits):
    out, same = [], 0
    for bit in bits:
        same = same + 1 if out and out[-1] == bit else 1
        out.append(bit)
        if same == 5:
            out.append(1 - bit)
            same = 1
    return out


def classical(can_id, data, remote, dlc):
    """Bits with intermission."""
    bits = [0]
    if can_id & EXTENDED:
        bits += number(can_id >> 18 & 0x7FF, 11) + [1, 1] + number(can_id & 0x3FFFF, 18) + [int(remote), 0, 0]
    else:
        bits += number(can_id, 11) + [int(remote), 0, 0]
    bits += number(dlc, 4)
    for byte in data:
        bits += number(byte, 8)
    return len(stuffed(bits + crc(bits))) + 1 + 2 + 7 + 3


def flexible(can_id, data, switch, passive):
    """(bits at the nominal rate, bits at the data rate), with intermission."""
    bits = [0]
    if can_id & EXTENDED:
        bits += number(can_id >> 18 & 0x7FF, 11) + [1, 1] + number(can_id & 0x3FFFF, 18) + [0, 1, 0, int(switch)]
    else:
        bits += number(can_id, 11) + [0, 0, 1, 0, int(switch)]
    slow = len(bits)
    bits += [int(bool(passive))] + number(FD_LENGTHS.index(len(data)), 4)
    for byte in data:
        bits += number(byte, 8)
    # Five equal bits at the very end get no stuff bit: the fixed one that opens the CRC field breaks them.
    whole = len(stuffed(bits)) - (len(stuffed(bits)) - len(stuffed(bits[:-1])) == 2)
    crc_field = 4 + (17 if len(data) <= 16 else 21)
    fixed = -(-crc_field // 4)
    # A stuff bit behind BRS is of the rate that BRS switched to.
    before = len(stuffed(bits[:slow]))
    before -= before - len(stuffed(bits[: slow - 1])) == 2
    fast = whole - before + crc_field + fixed + 1
    tail = 2 + 7 + 3
    return (before + tail, fast) if switch else (before + fast + tail, 0)


def cases(rng):
    found = [(can_id, bytes.fromhex(data), "data", 0, 0) for can_id, data, _ in VECTORS]
    for _ in range(500):
        can_id = rng.choice([rng.randrange(0x800), rng.randrange(0x20000000) | EXTENDED, 0, EXTENDED, 0x7FF])
        kind = rng.choices(["data", "remote", "fd"], [6, 1, 4])[0]
        length = rng.choice(FD_LENGTHS if kind == "fd" else range(9))
        data = rng.choice([rng.randbytes(length), bytes(length), b"\xff" * length, b"\x0f\x83" * 32, b"\x1f\x07\xc1\xf0" * 16])[:length]
        flags = rng.randrange(4) if kind == "fd" else 0
        raw_dlc = rng.choice([0, 0, rng.randrange(9, 16)]) if kind != "fd" and length == 8 else 0
        found.append((can_id, data, kind, flags, raw_dlc))
    return found


def length_of(case):
    can_id, data, kind, flags, raw_dlc = case
    if kind == "fd":
        return flexible(can_id, data, flags & 1, flags & 2)
    return classical(can_id, b"" if kind == "remote" else data, kind == "remote", raw_dlc or len(data)), 0


def bound(case):
    """The most bits a frame of this kind can have."""
    can_id, data, kind, _, _ = case
    data_bytes = 0 if kind == "remote" else len(data)
    return (80 if can_id & EXTENDED else 55) + 10 * data_bytes


def packet_of(case, time_us):
    can_id, data, kind, flags, raw_dlc = case
    body = b"" if kind == "remote" else data
    return time_us, 0, record(can_id, body, kind, flags, len(data), raw_dlc)


def file(folder, name, packets, bitrate, fd_bitrate):
    defs = folder / f"{name}-defs"
    defs.mkdir()
    text = f'format = 1\n[bus.b]\nprotocol = "plain"\nbitrate = {bitrate}\nfd_bitrate = {fd_bitrate}\n'
    text += '[[message]]\nname = "m"\nbus = "b"\nid = 0x123\nlength = 8\n[[message.signal]]\nname = "s"\nlsb = "1.1"\nbits = 8\n'
    text += '[[message.example]]\ndata = "01 00 00 00 00 00 00 00"\nexpect = { s = 1 }\n'
    (defs / "set.toml").write_text(text)
    capture = folder / f"{name}.pcapng"
    capture.write_bytes(pcapng(["b"], packets))
    store = folder / f"{name}-store"
    yardtap("replay", capture, "--defs", defs, "--store", store, "--vehicle", "1", "--bus", "b", "--json", status=(0, 3))
    return json_rows(store, "bus-health")


def alone(tally, rng, folder):
    """Each frame in an hour of its own, at three pairs of rates."""
    for case, (_, _, length) in zip(cases(rng), VECTORS):
        tally.check(f"{case[0]:#x} {case[1].hex()}: this encoder and the published length", length_of(case)[0], length + 3)
    frames = cases(rng)
    packets = [packet_of(case, T0 + HOUR * index) for index, case in enumerate(frames)]
    for bitrate, fd_bitrate in ((1_000_000, 1_000_000), (500_000, 1_000_000), (1_000_000, 500_000)):
        rows = file(folder, f"alone-{bitrate}-{fd_bitrate}", packets, bitrate, fd_bitrate)
        # A row where the hour had only silence is no frame's.
        rows = [row for row in rows if row["frames"] > 0]
        if not tally.check("hours", [us(row["hour"]) for row in rows], [time_us for time_us, _, _ in packets]):
            continue
        for row, case in zip(rows, frames):
            nominal, data_phase = length_of(case)
            busy_us = nominal * 1_000_000 // bitrate + data_phase * 1_000_000 // fd_bitrate
            what = f"{case[0]:#x} {case[2]} flags {case[3]} dlc {case[4]} {case[1].hex()} at {bitrate}/{fd_bitrate}"
            tally.check(f"µs of {what}", round(row["load_percent_peak"] * 10_000), busy_us)
            if case[2] != "fd":
                tally.true(f"bound of {what}", busy_us * bitrate // 1_000_000 <= bound(case))
            tally.check(f"frames of {what}", row["frames"], 1)
            tally.check(f"remote frames of {what}", row["remote_frames"], int(case[2] == "remote"))
            known = case[2] in ("data", "fd") and case[0] == 0x123
            tally.check(f"unknown frames of {what}", row["unknown_frames"], int(case[2] != "remote" and not known))


def together(tally, rng, folder):
    """Many frames in a few seconds: sums, mean load, the busiest second."""
    time_us, packets, sent = T0 + 250_000, [], []
    for case in [rng.choice(cases(rng)) for _ in range(4000)]:
        if rng.random() < 0.02:
            data = bytes([0, 0, rng.choice([0, 8, 0x80]), 0, 0, 0, 0, 0])
            packets.append((time_us, 0, record(rng.choice([0x004, 0x008, 0x080]), data, "error")))
            sent.append((time_us, (0, 0), "error"))
        else:
            packets.append(packet_of(case, time_us))
            sent.append((time_us, length_of(case), case[2]))
        time_us += rng.choice([400, 900, 1500, 4000])
    (row,) = file(folder, "together", packets, 500_000, 2_000_000)
    nominal, data_phase = (sum(bits[part] for _, bits, _ in sent) for part in (0, 1))
    recorded_us = sent[-1][0] - sent[0][0]
    busy_us = nominal * 2 + data_phase // 2
    tally.near("busy time, µs", row["load_percent"] * row["recorded_s"] * 1e4, busy_us, 1.5)
    tally.near("recorded time, s", row["recorded_s"], recorded_us / 1e6, 1e-9)
    tally.near("mean load, %", row["load_percent"], busy_us * 100 / recorded_us, 1e-3)
    seconds = {}
    for at, (slow, fast), _ in sent:
        parts = seconds.setdefault(at // 1_000_000, [0, 0])
        parts[0] += slow
        parts[1] += fast
    peak = max(slow * 2 + fast // 2 for slow, fast in seconds.values())
    tally.near("load of the busiest second, %", row["load_percent_peak"], peak / 1e4, 1e-3)
    tally.check("frames", row["frames"], sum(kind != "error" for _, _, kind in sent))
    tally.check("error frames", row["error_frames"], sum(kind == "error" for _, _, kind in sent))
    tally.check("remote frames", row["remote_frames"], sum(kind == "remote" for _, _, kind in sent))


def main():
    tally, rng = Tally(), random.Random(20260315)
    with tempfile.TemporaryDirectory() as folder:
        alone(tally, rng, Path(folder))
        together(tally, rng, Path(folder))
    tally.end(at_least=4000)


main()
