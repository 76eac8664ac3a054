#!/usr/bin/env python3
"""SAE J1939: scalings, raw ranges and the parameter group rule, by published values, through definitions and files.

Scalings and ranges: SAE J1939-71 (as FMS, ISO 11783-7 and public descriptions of it give them). Parameter group rule:
SAE J1939-21, as in the Linux kernel's Documentation/networking/j1939.rst. Every expected number stands here in writing.
"""

import tempfile
from pathlib import Path

from common import EXTENDED, Tally, files_of, pcapng, read_file, record, times_us, yardtap

HEAD = """format = 1
[bus.b]
protocol = "j1939"
bitrate = 250_000
"""

# group, name, first byte (from 1), bytes, scale, offset, raw → value
SIGNALS = [
    (65265, "wheel_speed", 2, 2, 1 / 256, 0, {0x2000: 32.0, 0xFAFF: 250.99609375, 0: 0.0, 1: 0.00390625}),
    (65217, "total_distance_hr", 1, 4, 5, 0, {0xFAFFFFFF: 21_055_406_075, 0: 0, 1: 5}),
    (65217, "trip_distance_hr", 5, 4, 5, 0, {0xFAFFFFFF: 21_055_406_075, 7: 35}),
    (65248, "total_distance", 5, 4, 0.125, 0, {0xFAFFFFFF: 526_385_151.875, 8: 1.0}),
    (65269, "ambient", 4, 2, 0.03125, -273, {0xFAFF: 1734.96875, 0x2500: 23.0, 0x2260: 2.0, 0: -273.0}),
    (65267, "latitude", 1, 4, 1e-7, -210, {0xFAFFFFFF: 211.1081215, 2_600_000_000: 50.0, 0: -210.0}),
    (65267, "longitude", 5, 4, 1e-7, -210, {875_806_000: -122.4194, 2_100_000_000: 0.0}),
    (65271, "battery_potential", 5, 2, 0.05, 0, {0xFAFF: 3212.75, 552: 27.6}),
    (65254, "seconds", 1, 1, 0.25, 0, {0x79: 30.25, 0xFA: 62.5, 239: 59.75}),
    (65254, "minutes", 2, 1, 1, 0, {0x19: 25}),
    (65254, "hours", 3, 1, 1, 0, {0x0E: 14}),
    (65254, "month", 4, 1, 1, 0, {3: 3}),
    (65254, "day", 5, 1, 0.25, 0, {0x21: 8.25, 36: 9.0}),
    (65254, "year", 6, 1, 1, 1985, {0x27: 2024, 0xFA: 2235}),
    (65254, "minute_offset", 7, 1, 1, -125, {0x7D: 0, 0xFA: 125}),
    (65254, "hour_offset", 8, 1, 1, -125, {0x7E: 1, 0x7D: 0}),
]

# width in bits: raw → what it is
RANGES = {
    8: {0x00: "value", 0xFA: "value", 0xFB: "reserved", 0xFC: "reserved", 0xFD: "reserved", 0xFE: "error", 0xFF: None},
    16: {
        0xFAFF: "value", 0xFB00: "reserved", 0xFBFF: "reserved", 0xFC00: "reserved", 0xFDFF: "reserved",
        0xFE00: "error", 0xFE7F: "error", 0xFEFF: "error", 0xFF00: None, 0xFF7F: None, 0xFFFF: None,
    },
    32: {
        0xFAFFFFFF: "value", 0xFB000000: "reserved", 0xFBFFFFFF: "reserved", 0xFC000000: "reserved", 0xFDFFFFFF: "reserved",
        0xFE000000: "error", 0xFEFFFFFF: "error", 0xFF000000: None, 0xFFFFFFFE: None, 0xFFFFFFFF: None,
    },
    2: {0b00: "value", 0b01: "value", 0b10: "error", 0b11: None},
}

# identifier, group, source, destination
IDENTIFIERS = [
    (0x18FECA00, 65226, 0x00, 0xFF),
    (0x0CEC000B, 60416, 0x0B, 0x00),
    (0x18EA00FF, 59904, 0xFF, 0x00),
    (0x18FEF000, 65264, 0x00, 0xFF),
    (0x18FEF100, 65265, 0x00, 0xFF),
    (0x18FEC1EE, 65217, 0xEE, 0xFF),
    (0x1CEBFF27, 60160, 0x27, 0xFF),
    (0x18EF1234, 61184, 0x34, 0x12),
    (0x0CF00400, 61444, 0x00, 0xFF),
    (0x19FECA00, 130762, 0x00, 0xFF),
    (0x1FFFFFFF, 0x3FFFF, 0xFF, 0xFF),
]

T0 = 1_770_000_000_000_000


def file(folder, name, text, frames):
    """Files frames (id, data), one every 10 ms, by the definitions; gives the store."""
    (folder / name).mkdir()
    (folder / name / "set.toml").write_text(HEAD + text)
    capture = folder / f"{name}.pcapng"
    packets = [(T0 + 10_000 * index, 0, record(can_id, data)) for index, (can_id, data) in enumerate(frames)]
    capture.write_bytes(pcapng(["b"], packets))
    store = folder / f"{name}-store"
    yardtap("replay", capture, "--defs", folder / name, "--store", store, "--vehicle", "1", "--bus", "b", "--json")
    return store


def table(store, name):
    (path,) = files_of(store, name)
    return read_file(path)


def signal(name, lsb, bits, *more):
    return "\n".join(["[[message.signal]]", f'name = "{name}"', f'lsb = "{lsb}"', f"bits = {bits}", *more, ""])


def group_toml(group, signals):
    text = f'[[message]]\nname = "g{group}"\nbus = "b"\npgn = {group}\n'
    for _, name, first, size, scale, offset, _ in signals:
        more = ['unavailable = "j1939"'] + ([f"scale = {scale!r}", f"offset = {offset}"] if (scale, offset) != (1, 0) else [])
        text += signal(name, f"{first}.1", 8 * size, *more)
    return text + f'[[message.example]]\ndata = "FF FF FF FF FF FF FF FF"\nexpect = {{ {signals[0][1]} = "unavailable" }}\n'


def scalings(tally, folder):
    groups = {}
    for row in SIGNALS:
        groups.setdefault(row[0], []).append(row)
    frames, wanted = [], {group: [] for group in groups}
    for group, rows in groups.items():
        for _, name, first, size, scale, offset, values in rows:
            cases = [(raw, value, None) for raw, value in values.items()]
            for raw, what in RANGES[8 * size].items():
                if what != "value":
                    cases.append((raw, None, what))
            for raw, value, status in cases:
                data = bytearray(b"\xff" * 8)
                data[first - 1 : first - 1 + size] = raw.to_bytes(size, "little")
                frames.append((0x18000000 | group << 8 | 0x21 | EXTENDED, bytes(data)))
                wanted[group].append((name, raw, value, status, scale))
    store = file(folder, "scalings", "".join(group_toml(group, rows) for group, rows in groups.items()), frames)
    for group, rows in groups.items():
        got = table(store, f"signals/message=g{group}")
        tally.check(f"rows of group {group}", got.num_rows, len(wanted[group]))
        status = got["status"].to_pylist()
        for row, (name, raw, value, word, scale) in enumerate(wanted[group]):
            what = f"{name} raw {raw:#x}"
            for other in rows:
                cell = got[other[1]][row].as_py()
                if other[1] != name or value is None:
                    tally.check(f"{what}: {other[1]} has no value", cell, None)
                else:
                    # In double precision: to a millionth of a step.
                    tally.near(what, cell, value, scale * 1e-6)
            tally.check(f"{what}: status", status[row], f"{name}={word}" if word else None)
        tally.check(f"source of group {group}", set(got["source"].to_pylist()), {0x21})


def ranges(tally, folder):
    frames, wanted = [], []
    text = '[[message]]\nname = "all"\nbus = "b"\npgn = 65300\nlength = 8\n'
    text += signal("w8", "1.1", 8, 'unavailable = "j1939"') + signal("w16", "2.1", 16, 'unavailable = "j1939"')
    text += signal("w32", "4.1", 32, 'unavailable = "j1939"') + signal("w2", "8.3", 2, 'as = "flag"')
    text += '[[message.example]]\ndata = "00 00 00 00 00 00 00 00"\nexpect = { w8 = 0, w2 = false }\n'
    for bits, table_of in RANGES.items():
        for raw, what in table_of.items():
            shift = {8: 0, 16: 8, 32: 24, 2: 58}[bits]
            frames.append((0x18FF1400 | EXTENDED, (raw << shift).to_bytes(8, "little")))
            value = None if what != "value" else bool(raw) if bits == 2 else raw
            wanted.append((bits, raw, value, what))
    store = file(folder, "ranges", text, frames)
    got = table(store, "signals/message=all")
    tally.check("rows", got.num_rows, len(frames))
    status = got["status"].to_pylist()
    for row, (bits, raw, value, what) in enumerate(wanted):
        tally.check(f"{bits} bits {raw:#x}", got[f"w{bits}"][row].as_py(), value)
        word = f"w{bits}={what}" if what in ("error", "reserved") else None
        tally.check(f"{bits} bits {raw:#x}: status", status[row], word)


def groups(tally, folder):
    text = ""
    for _, group, _, _ in IDENTIFIERS:
        text += f'[[message]]\nname = "g{group}"\nbus = "b"\npgn = {group}\nlength = 8\n' + signal("n", "1.1", 8)
        text += '[[message.example]]\ndata = "01 00 00 00 00 00 00 00"\nexpect = { n = 1 }\n'
    frames, wanted = [], {}
    for can_id, group, source, destination in IDENTIFIERS:
        # Any priority; of groups with a destination (PDU1) any destination; any source.
        format = can_id >> 16 & 0xFF
        for priority in range(8):
            for address in (source, 0x00, 0x27, 0xFD):
                for other in (destination, 0x12, 0xFE) if format < 240 else (can_id >> 8 & 0xFF,):
                    varied = priority << 26 | can_id & 0x03FF0000 | other << 8 | address
                    frames.append((varied | EXTENDED, bytes([len(frames) & 0xFF] + [0] * 7)))
                    wanted.setdefault(group, []).append((T0 + 10_000 * (len(frames) - 1), address))
    unknown = [
        0x18FECB00,  # next to DM1
        0x1AFECA00,  # extended data page
        0x18F01234,  # PF 240 is PDU2: another group than 0xF004
        0x18F0EF00,
        0x0CF10400,
    ]
    frames += [(can_id | EXTENDED, bytes(8)) for can_id in unknown]
    # The same bits in an 11-bit identifier are no group.
    frames += [(0x400, bytes(8))]
    store = file(folder, "groups", text, frames)
    for group, rows in wanted.items():
        got = table(store, f"signals/message=g{group}")
        tally.check(f"group {group}", list(zip(times_us(got["time"]), got["source"].to_pylist())), rows)
    raw = table(store, "raw")
    tally.check("identifiers of no group", raw["id"].to_pylist(), [*unknown, 0x400])
    tally.check("kinds of identifiers", raw["extended"].to_pylist(), [True] * len(unknown) + [False])


def worked_examples(tally, folder):
    """A date and time that stands in public documents: 2024-03-09 14:25:30.25 UTC, clocks an hour ahead."""
    rows = [row for row in SIGNALS if row[0] == 65254]
    frame = (0x18FEE6EE | EXTENDED, bytes.fromhex("79190E0321277D7E"))
    store = file(folder, "clock", group_toml(65254, rows), [frame])
    (row,) = table(store, "signals/message=g65254").to_pylist()
    wanted = {"seconds": 30.25, "minutes": 25, "hours": 14, "month": 3, "day": 8.25, "year": 2024, "minute_offset": 0, "hour_offset": 1}
    tally.check("date and time", {name: row[name] for name in wanted}, wanted)
    tally.check("no status", row["status"], None)


def main():
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        for part in (scalings, ranges, groups, worked_examples):
            part(tally, Path(folder))
    tally.end(at_least=400)


main()
