#!/usr/bin/env python3
"""Captures filed and given back, frame for frame; and files that depend on nothing but the frames.

(a) The demo captures and random ones (remote, error, FD and unknown frames, many at one microsecond, disordered frames,
    a clock that steps back) are restored and compared with the original.
(b) One thread and two write the same bytes.
(c) What is filed twice changes nothing; overlapping halves, in either order, give the rows of the whole.
"""

import hashlib
import random
import tempfile
from pathlib import Path

import pyarrow as pa
from common import DEMO, EXTENDED, ROOT, Tally, files_of, frame_rows, interface_names, pcapng, read_file, record, replay_demo, yardtap

FD_LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
DEFS = ROOT / "signal-defs" / "velmora"
T0 = 1_771_300_000_000_000
CHANNELS = {"can0": "traction", "can1": "body", "odd": "odd"}
# Identifiers that the definitions know, and some that they do not.
TRACTION = [0x18FF1527, 0x18FF182A, 0x18FEF1EE, 0x18FF1956, 0x18FEF121, 0x0CFEF1EE, 0x18FEF54A, 0x18FEF34A, 0x18FECA00]


def names_of(path, folder):
    """Bus name by channel number."""
    plain = folder / "names.pcapng"
    yardtap("frames", path, "--to", plain)
    names = interface_names(plain.read_bytes())
    plain.unlink()
    return [CHANNELS.get(name, name) for name in names]


def rows_by_bus(path, folder):
    names = names_of(path, folder)
    return [(time_us, names[int(channel)], *rest) for time_us, channel, *rest in frame_rows(path)]


def compare(tally, what, got, wanted):
    if got == wanted:
        tally.passed += len(wanted)
        return
    lines = [f"{len(got)} frames, {len(wanted)} wanted"]
    for index, (a, b) in enumerate(zip(got, wanted)):
        if a != b:
            lines += [f"first at frame {index}", f"got    {a}", f"wanted {b}"]
            break
    tally.fail(what, *lines)


def hashes(store):
    """Hash of every Parquet file, by its path."""
    store = Path(store)
    return {str(path.relative_to(store)): hashlib.sha256(path.read_bytes()).hexdigest() for path in store.rglob("*.parquet")}


def random_frame(rng):
    """(interface, record)"""
    kind = rng.choices(["known", "data", "remote", "error", "fd"], [12, 3, 1, 1, 3])[0]
    interface = rng.choices([0, 1, 2], [6, 3, 1])[0]
    can_id = rng.choice([rng.randrange(0x800), rng.randrange(0x20000000) | EXTENDED])
    if kind == "known":
        can_id = rng.choice(TRACTION) | EXTENDED if interface == 0 else rng.choice([0x110, 0x140, 0x180, 0x1A0, 0x250])
        length = rng.choices([8, rng.randrange(9)], [9, 1])[0]
        data = rng.choice([rng.randbytes(length), b"\xff" * length, bytes(length)])
        return interface, record(can_id, data)
    if kind == "fd":
        return interface, record(can_id, rng.randbytes(rng.choice(FD_LENGTHS)), "fd", rng.randrange(4))
    if kind == "error":
        return interface, record(1 << rng.randrange(10), rng.randbytes(8), "error")
    length = rng.choice([8, rng.randrange(9)])
    raw_dlc = rng.choice([0, 0, rng.randrange(9, 16)]) if length == 8 else 0
    data = b"" if kind == "remote" else rng.randbytes(length)
    return interface, record(can_id, data, kind, 0, length, raw_dlc)


def random_capture(rng, count, disorder, step_back):
    time_us, packets = T0 + rng.randrange(10**6), []
    for index in range(count):
        time_us += rng.choice([0, 0, 1, 150, 900, 20_000])
        if step_back and index == count // 2:
            time_us -= 90_000_000
        late = rng.randrange(1, 60_000) if disorder and rng.random() < 0.02 else 0
        packets.append((time_us - late, *random_frame(rng)))
    return packets


def captures_of(store):
    """Ids of the captures that a store holds."""
    return {path.stem for path in Path(store, "filed").glob("*.json")}


def file(store, capture, config, *more):
    before = captures_of(store)
    yardtap("replay", capture, "--config", config, "--store", store, "--json", *more, status=(0, 3))
    return captures_of(store) - before


def random_captures(tally, folder, config, rng):
    for disorder in (False, True):
        for step_back in (False, True):
            what = f"random, disorder {disorder}, step back {step_back}"
            packets = random_capture(rng, 12_000, disorder, step_back)
            # The first interface of this system is not the first of the capture.
            names = ["can0", "can1", "odd"]
            capture = folder / "random.pcapng"
            capture.write_bytes(pcapng(names, packets))
            wanted = rows_by_bus(capture, folder)
            tally.check(f"{what}: frames read", len(wanted), len(packets))
            stores = [folder / f"random-{disorder}-{step_back}-{threads}" for threads in (1, 2)]
            for threads, store in zip((1, 2), stores):
                (capture_id,) = file(store, capture, config, "--threads", threads)
                again = folder / "again.pcapng"
                yardtap("restore", "--store", store, "--capture", capture_id, "--to", again)
                compare(tally, f"{what}, {threads} threads: restored", rows_by_bus(again, folder), wanted)
            tally.check(f"{what}: 1 and 2 threads", hashes(stores[0]), hashes(stores[1]))


def rows_of(store):
    """Rows of all tables, without what names the capture or piece they came by; by table and date."""
    found = {}
    for path in sorted(Path(store).rglob("*.parquet")):
        part = path.relative_to(store).parent
        table = read_file(path)
        if "recording" in table.column_names:
            table = table.drop_columns(["recording"])
        rows = found.setdefault(str(part), [])
        columns = [table[name].cast(pa.int64()).to_pylist() if pa.types.is_timestamp(table[name].type) else table[name].to_pylist()
                   for name in table.column_names]
        rows += [repr(row) for row in zip(*columns)]
    # Within one microsecond, rows of one table may be told in either order by captures that overlap.
    return {part: sorted(rows) for part, rows in found.items()}


def halves(tally, folder, config, rng):
    packets = random_capture(rng, 9_000, False, False)
    # No two frames alike: two that are the same to the byte and the microsecond are one frame to a store.
    packets = [(T0 + index * 137 + rng.randrange(100), *rest) for index, (_, *rest) in enumerate(packets)]
    parts = {"whole": packets, "first": packets[:6_000], "second": packets[3_000:]}
    for name, part in parts.items():
        (folder / f"{name}.pcapng").write_bytes(pcapng(["can0", "can1", "odd"], part))
    stores = {}
    for order in (["whole"], ["first", "second"], ["second", "first"], ["whole", "first"]):
        store = stores["-".join(order)] = folder / ("store-" + "-".join(order))
        for name in order:
            file(store, folder / f"{name}.pcapng", config)
    wanted = rows_of(stores.pop("whole"))
    tally.true("tables", len(wanted) > 8)
    for name, store in stores.items():
        got = rows_of(store)
        tally.check(f"{name}: tables", sorted(got), sorted(wanted))
        for table, rows in wanted.items():
            # Health is told for each recording: halves have their own rows.
            if "health" not in table:
                compare(tally, f"{name}: {table}", got.get(table, []), rows)


def twice(tally, folder, config, capture, store, capture_id):
    before = hashes(store)
    file(store, capture, config)
    tally.check("filed twice: captures", captures_of(store), {capture_id})
    tally.check("filed twice: files", hashes(store), before)


def demo(tally, folder):
    one, two = folder / "one", folder / "two"
    replay_demo(one, "--threads", 1)
    replay_demo(two, "--threads", 2)
    tally.true("files of the demo", len(hashes(one)) > 20)
    tally.check("demo: 1 and 2 threads", hashes(one), hashes(two))
    before = hashes(two)
    replay_demo(two)
    tally.check("demo filed twice", hashes(two), before)
    for capture in sorted(DEMO.rglob("*.pcapng.zst")):
        again = folder / "demo-again.pcapng"
        yardtap("restore", "--store", one, "--capture", capture.name, "--to", again)
        compare(tally, f"{capture.name}: restored", rows_by_bus(again, folder), rows_by_bus(capture, folder))


def main():
    tally, rng = Tally(), random.Random(20260316)
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        config = folder / "yardtap.toml"
        channels = "".join(f'{name} = "{bus}"\n' for name, bus in CHANNELS.items() if name != "odd")
        config.write_text(f'definitions = "{DEFS}"\nvehicle = "1"\nzone = "Europe/Vienna"\n[channels]\n{channels}')
        random_captures(tally, folder, config, rng)
        halves(tally, folder, config, rng)
        capture, store = folder / "whole.pcapng", folder / "store-twice"
        (capture_id,) = file(store, capture, config)
        twice(tally, folder, config, capture, store, capture_id)
        demo(tally, folder)
    tally.end(at_least=500_000)


main()
