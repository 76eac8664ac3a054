#!/usr/bin/env python3
"""The daily files by two independent readers, pyarrow and DuckDB: types, units, rows, sums, order and service days.

The demo captures are filed; each table is read by both readers and compared with the other, with the definitions (TOML
read by Python) and with the frames of the captures (counted out of the files by the structs of pcapng, by hand).
"""

import collections
import datetime
import math
import tempfile
import tomllib
from pathlib import Path

import duckdb
import pyarrow as pa
from common import (
    DEMO, ERROR, EXTENDED, REMOTE, ROOT, Tally, files_of, interface_names, read_file, replay_demo, times_us, yardtap,
    zone_of,
)

DEFS = ROOT / "signal-defs" / "velmora"
WORD = pa.dictionary(pa.int32(), pa.string())
TIME = pa.timestamp("us", tz="UTC")


def definitions():
    buses, messages = {}, []
    for path in sorted(DEFS.glob("*.toml")):
        written = tomllib.loads(path.read_text())
        buses.update(written.get("bus", {}))
        messages += written.get("message", [])
    return buses, messages


def packets(path):
    """(interface, record) of a pcapng of one section, by its blocks."""
    import struct

    data, at = path.read_bytes(), 0
    names, found = interface_names(data), []
    while at < len(data):
        kind, length = struct.unpack_from("<II", data, at)
        if kind == 6:
            interface, _, _, size, _ = struct.unpack_from("<IIIII", data, at + 8)
            found.append((names[interface], data[at + 28 : at + 28 + size]))
        at += length
    return found


def message_of(messages, bus, record):
    """The message that matches a frame, by the rules of signal-defs/README.md; None: no definition."""
    word = int.from_bytes(record[:4], "big")
    fd = bool(record[5] & 4)
    if not fd and word & (REMOTE | ERROR):
        return None
    can_id = word & 0x1FFFFFFF
    group, source = can_id >> 8 & 0x3FFFF, can_id & 0xFF
    if group >> 8 & 0xFF < 240:
        group &= 0x3FF00
    found = None
    for message in messages:
        if message["bus"] != bus:
            continue
        if "pgn" in message and word & EXTENDED and message["pgn"] == group:
            if message.get("source", source) == source and (found is None or "source" in message):
                found = message["name"]
        elif word & EXTENDED and message.get("extended_id") == can_id:
            found = message["name"]
        elif not word & EXTENDED and message.get("id") == can_id:
            found = message["name"]
    return found


def type_fits(signal, kind):
    """Whether a column's type is what the signal's definition asks for."""
    form = signal.get("as", "flag" if signal["bits"] == 1 else "unsigned")
    if form == "flag":
        return kind == pa.bool_()
    if signal.get("labels"):
        return kind == WORD
    if form == "float":
        return kind == (pa.float64() if signal["bits"] == 64 else pa.float32())
    if signal.get("scale", 1) != 1 or signal.get("offset", 0) != int(signal.get("offset", 0)):
        return kind == pa.float64()
    bits, offset = signal["bits"], int(signal.get("offset", 0))
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if form == "signed" else (0, 2**bits - 1)
    low, high = low + offset, high + offset
    for width in (8, 16, 32, 64):
        if low >= 0 and high < 2**width:
            return kind == getattr(pa, f"uint{width}")()
        if low >= -(2 ** (width - 1)) and high < 2 ** (width - 1):
            return kind == getattr(pa, f"int{width}")()
    return kind == pa.float64()


def sums(table):
    """(rows with a value, their sum) of each column that has numbers, flags or words."""
    found = {}
    for field in table.schema:
        column = table[field.name]
        count = len(column) - column.null_count
        if pa.types.is_boolean(field.type):
            column = column.cast(pa.int64())
        if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
            found[field.name] = (count, math.fsum(float(v) for v in column.to_pylist() if v is not None))
        else:
            found[field.name] = (count, None)
    return found


def values(column):
    return times_us(column) if pa.types.is_timestamp(column.type) else column.to_pylist()


def compare_readers(tally, what, paths, glob, base_columns):
    """One table by both readers; gives pyarrow's."""
    tables = [read_file(path) for path in paths]
    whole = pa.concat_tables(tables, promote_options="default")
    columns = [name for name in whole.column_names]
    quoted = ", ".join(f'"{name}"' for name in columns)
    relation = duckdb.sql(f"select {quoted} from read_parquet('{glob}', hive_partitioning = true, union_by_name = true)")
    tally.check(f"{what}: columns begin with", columns[: len(base_columns)], base_columns)
    ((rows,),) = duckdb.sql(f"select count(*) from read_parquet('{glob}')").fetchall()
    tally.check(f"{what}: rows of DuckDB", rows, whole.num_rows)
    theirs_table = relation.to_arrow_table()
    ours, theirs = sums(whole), sums(theirs_table)
    for name, (count, total) in ours.items():
        other_count, other_total = theirs[name]
        tally.check(f"{what}.{name}: values", other_count, count)
        if total is not None:
            tally.check(f"{what}.{name}: sum", other_total, total)
    for name in columns:
        # DuckDB keeps the order of the rows in a file, and of files by name.
        same = [values(table[name]) for table in (whole, theirs_table)]
        tally.true(f"{what}.{name}: the same values", same[0] == same[1])
    return whole


def main():
    tally = Tally()
    buses, messages = definitions()
    settings = tomllib.loads((DEMO / "yardtap.toml").read_text())
    zone = zone_of(settings["zone"])
    day_starts = datetime.timedelta(hours=int(settings["day_starts"][:2]), minutes=int(settings["day_starts"][3:]))
    duckdb.sql("set timezone = 'UTC'")

    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        replay_demo(store)

        # What is to be where, counted from the captures themselves. DuckDB's zstd is not to be had for other files, so the
        # captures are written anew without packing; `captures.py` compares that against other readers.
        wanted, frames = collections.Counter(), 0
        for capture in sorted(DEMO.rglob("*.pcapng.zst")):
            plain = Path(folder) / "plain.pcapng"
            yardtap("frames", capture, "--to", plain)
            vehicle = capture.name.split(".")[0]
            for channel, record in packets(plain):
                bus = settings["channels"].get(channel, channel)
                wanted[message_of(messages, bus, record) or "raw", vehicle] += 1
                frames += 1
        tally.true(f"{frames} frames", frames > 100_000)

        seen = 0
        for message in [*messages, {"name": "raw", "signal": []}]:
            name = message["name"]
            path = "raw" if name == "raw" else f"signals/message={name}"
            paths = files_of(store, path)
            rows_wanted = {vehicle: count for (table, vehicle), count in wanted.items() if table == name}
            if not rows_wanted:
                tally.check(f"{name}: no frame, no file", paths, [])
                continue
            base = ["time", "vehicle"] + (["source"] if "pgn" in message and "source" not in message else [])
            whole = compare_readers(tally, name, paths, f"{store}/{path}/date=*/*.parquet", base)
            rows = collections.Counter(whole["vehicle"].to_pylist())
            tally.check(f"{name}: rows a vehicle", dict(rows), rows_wanted)
            seen += whole.num_rows

            schema = whole.schema
            tally.check(f"{name}: time", schema.field("time").type, TIME)
            tally.check(f"{name}: vehicle", schema.field("vehicle").type, WORD)
            for signal in message["signal"]:
                field = schema.field(signal["name"])
                metadata = field.metadata or {}
                tally.check(f"{name}.{field.name}: unit", metadata.get(b"unit", b"").decode(), signal.get("unit", ""))
                tally.check(f"{name}.{field.name}: about", metadata.get(b"about", b"").decode(), signal.get("about", ""))
                tally.true(f"{name}.{field.name}: type {field.type}", type_fits(signal, field.type))

            for file in paths:
                table = read_file(file)
                order = list(zip(table["vehicle"].to_pylist(), times_us(table["time"])))
                tally.true(f"{file.relative_to(store)}: by vehicle, then time", order == sorted(order))
                # An hour that is not changed by summer time: the service day is the date, so many hours ago.
                (date,) = [part[5:] for part in file.parts if part.startswith("date=")]
                days = {(t.astimezone(zone).replace(tzinfo=None) - day_starts).date().isoformat() for t in table["time"].to_pylist()}
                tally.check(f"{file.relative_to(store)}: date", days, {date})
        tally.check("rows of all tables", seen, frames)

        for name in ("runs", "events", "bus_health", "message_health"):
            whole = compare_readers(tally, name, files_of(store, name), f"{store}/{name}/month=*/*.parquet", [])
            tally.true(f"{name}: rows", whole.num_rows > 0)
        # Hive partitions are columns to DuckDB.
        dates = duckdb.sql(f"select distinct date::varchar from read_parquet('{store}/signals/message=motion/*/*.parquet', hive_partitioning = true)").fetchall()
        tally.check("date as a column of DuckDB", sorted(dates), [("2026-02-17",)])
    tally.end(at_least=1000)


main()
