#!/usr/bin/env python3
"""The same SQL by `yardtap sql` and by DuckDB, over the same store: the same answers.

The demo captures are filed. Further months are written by pyarrow, with a column more and one less, as a store has them
whose definition set changed. Each question is asked of both, before and after the days are closed.
"""

import datetime
import json
import math
import tempfile
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
from common import Tally, files_of, read_file, replay_demo, yardtap

SUMMARIES = ("runs", "events", "bus_health", "message_health")
# Each ends in an order that leaves nothing open.
QUESTIONS = {
    "counting": "SELECT count(*) AS n, count(distance) AS with_value, count(DISTINCT vehicle) AS vehicles FROM runs",
    "all columns of runs": "SELECT * FROM runs ORDER BY vehicle, start",
    "monthly sums": """
        SELECT month, vehicle, sum(distance) AS km, sum(pole_offs) AS pole_offs, avg(battery_temperature_peak) AS peak,
               min(start) AS first, max("end") AS last
        FROM runs GROUP BY month, vehicle ORDER BY month, vehicle""",
    "one vehicle and month": """
        SELECT start, duration_s, energy_from_line FROM runs
        WHERE vehicle = '211' AND month = '2026-02' ORDER BY start""",
    "service days": """
        SELECT service_day, count(*) AS runs, stddev_samp(distance) AS spread, corr(distance, energy_from_line) AS together
        FROM runs WHERE service_day BETWEEN DATE '2026-02-01' AND DATE '2026-04-30' GROUP BY service_day ORDER BY service_day""",
    "a column that some months lack": "SELECT month, sum(extra) AS extra, count(low_line_voltage_time) AS low FROM runs GROUP BY month ORDER BY month",
    "text": """
        SELECT upper(ended_by) AS ended, length(vehicle) AS letters, vehicle || '-' || ended_by AS both, count(*) AS n
        FROM runs WHERE ended_by LIKE '%o%' AND vehicle IN ('207', '211') GROUP BY 1, 2, 3 ORDER BY 1, 2, 3""",
    "events by counter": """
        SELECT counter, vehicle, count(*) AS n, sum(amount) AS amount, avg("motion.speed") AS speed,
               count(CASE WHEN "poles.left_contact" THEN 1 END) AS left_contact
        FROM events GROUP BY counter, vehicle ORDER BY counter, vehicle""",
    "events of their runs": """
        SELECT r.vehicle, r.start, r.pole_offs, count(e.time) AS events
        FROM runs r LEFT JOIN events e ON e.vehicle = r.vehicle AND e.run_start = r.start AND e.counter = 'pole_offs' AND e.month = r.month
        GROUP BY r.vehicle, r.start, r.pole_offs ORDER BY r.vehicle, r.start""",
    "windows": """
        SELECT vehicle, start, distance, sum(distance) OVER (PARTITION BY vehicle ORDER BY start) AS so_far,
               lag(start) OVER (PARTITION BY vehicle ORDER BY start) AS before,
               row_number() OVER (PARTITION BY vehicle ORDER BY distance DESC, start) AS place
        FROM runs ORDER BY vehicle, start""",
    "bus health": "SELECT bus, vehicle, sum(frames) AS frames, max(load_percent_peak) AS peak FROM bus_health GROUP BY bus, vehicle ORDER BY bus, vehicle",
    "message health": "SELECT message, sum(frames) AS frames, sum(missing) AS missing, max(jitter_s) AS jitter FROM message_health GROUP BY message ORDER BY message",
    "raw": "SELECT bus, kind, id, count(*) AS n, min(time) AS first, sum(length) AS bytes FROM raw GROUP BY bus, kind, id ORDER BY bus, kind, id",
    "signals of a day": """
        SELECT vehicle, date_trunc('hour', time) AS hour, avg(line_voltage) AS volts, max(line_current) AS amps, count(*) AS n
        FROM signals.line_input WHERE date = DATE '2026-02-17' GROUP BY 1, 2 ORDER BY 1, 2""",
    "labels and flags": """
        SELECT state, contactor_command, count(*) AS n, count(line_voltage) AS volts
        FROM signals.line_input GROUP BY 1, 2 ORDER BY 1 NULLS LAST, 2 NULLS LAST""",
    "signals joined to runs": """
        SELECT r.vehicle, r.start, avg(m.speed) AS speed, count(*) AS n
        FROM runs r JOIN signals.motion m ON m.vehicle = r.vehicle AND m.time BETWEEN r.start AND r."end"
        WHERE m.date = DATE '2026-02-17' GROUP BY r.vehicle, r.start ORDER BY r.vehicle, r.start""",
    "no such day": "SELECT count(*) AS n, sum(speed) AS s FROM signals.motion WHERE date = DATE '1999-01-01'",
    "no vehicle": "SELECT vehicle, start FROM runs WHERE vehicle = 'nobody'",
}


def more_months(store):
    """March and April out of February, as another writer would file them."""
    february = pa.concat_tables([read_file(path) for path in files_of(store, "runs")], promote_options="default")
    for number, month in ((1, "2026-03"), (2, "2026-04")):
        table = february
        for name, kind in zip(table.schema.names, table.schema.types):
            column, at = table[name], table.schema.get_field_index(name)
            if pa.types.is_timestamp(kind):
                moved = pa.array([None if v is None else v + datetime.timedelta(days=30 * number) for v in column.to_pylist()], kind)
                table = table.set_column(at, table.schema.field(at), moved)
            elif pa.types.is_date32(kind):
                moved = pa.array([v + datetime.timedelta(days=30 * number) for v in column.to_pylist()], kind)
                table = table.set_column(at, table.schema.field(at), moved)
        table = table.append_column("extra", pa.array([float(number)] * table.num_rows))
        table = table.drop_columns(["low_line_voltage_time"])
        folder = Path(store, "runs", f"month={month}")
        folder.mkdir()
        pq.write_table(table, folder / "merged.parquet", compression="zstd")


def views(store):
    """The store's tables for DuckDB."""
    connection = duckdb.connect()
    connection.sql("SET timezone = 'UTC'")
    connection.sql("CREATE SCHEMA signals")
    read = "SELECT * FROM read_parquet('{}', hive_partitioning = true, union_by_name = true, hive_types = {{'{}': {}}})"
    for name in SUMMARIES:
        connection.sql(f"CREATE VIEW {name} AS " + read.format(f"{store}/{name}/month=*/*.parquet", "month", "VARCHAR"))
    connection.sql("CREATE VIEW raw AS " + read.format(f"{store}/raw/date=*/*.parquet", "date", "DATE"))
    for folder in sorted(Path(store, "signals").iterdir()):
        name = folder.name.removeprefix("message=")
        connection.sql(f"CREATE VIEW signals.{name} AS " + read.format(f"{folder}/date=*/*.parquet", "date", "DATE"))
    return connection


def value(one):
    """A value of DuckDB as the JSON of `yardtap sql` has it."""
    if isinstance(one, datetime.datetime):
        text = one.astimezone(datetime.timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%f").rstrip("0").rstrip(".")
        return text + "Z"
    if isinstance(one, datetime.date):
        return one.isoformat()
    if isinstance(one, float) and not math.isfinite(one):
        return None
    return one if one is None or isinstance(one, (bool, int, float, str)) else float(one)


def same(ours, theirs):
    if isinstance(ours, bool) or isinstance(theirs, bool) or ours is None or theirs is None:
        return ours is theirs
    if isinstance(ours, (int, float)) and isinstance(theirs, (int, float)):
        return math.isclose(ours, theirs, rel_tol=1e-9, abs_tol=1e-9)
    return ours == theirs


def compare(tally, store, when):
    connection = views(store)
    for what, sql in QUESTIONS.items():
        theirs = connection.sql(sql)
        columns, rows = theirs.columns, theirs.fetchall()
        ours = [json.loads(line) for line in yardtap("sql", sql, "--store", store, "--as", "json").splitlines()]
        if not tally.check(f"{when}, {what}: rows", len(ours), len(rows)):
            continue
        if ours:
            tally.check(f"{when}, {what}: columns", sorted(ours[0]), sorted(columns))
        for number, (our, their) in enumerate(zip(ours, rows)):
            for column, their_value in zip(columns, their):
                if not same(our.get(column), value(their_value)):
                    tally.fail(f"{when}, {what}, row {number}, {column}", f"got    {our.get(column)!r}", f"wanted {value(their_value)!r}")
                else:
                    tally.passed += 1


def forms(tally, store, folder):
    """The same rows as CSV and as Parquet, whose types stay."""
    sql = "SELECT vehicle, service_day, start, distance, pole_offs, battery_temperature_peak FROM runs ORDER BY vehicle, start"
    rows = [json.loads(line) for line in yardtap("sql", sql, "--store", store, "--as", "json").splitlines()]
    csv, parquet = Path(folder, "rows.csv"), Path(folder, "rows.parquet")
    yardtap("sql", sql, "--store", store, "--to", csv)
    yardtap("sql", sql, "--store", store, "--to", parquet)
    read = duckdb.sql(f"SELECT * FROM read_csv('{csv}', all_varchar = true)").fetchall()
    tally.check("CSV: rows", len(read), len(rows))
    for row, texts in zip(rows, read):
        for (name, text) in zip(("vehicle", "service_day", "start", "distance", "pole_offs", "battery_temperature_peak"), texts):
            wanted = row[name]
            got = text if wanted is None or isinstance(wanted, str) else float(text)
            tally.check(f"CSV: {name}", got, wanted if wanted is None or isinstance(wanted, str) else float(wanted))
    table = pq.read_table(parquet)
    kinds = [pa.date32(), pa.timestamp("us", tz="UTC"), pa.float64(), pa.uint64()]
    tally.check("Parquet: types", [str(table.schema.field(at).type) for at in range(1, 5)], [str(kind) for kind in kinds])
    tally.check("Parquet: unit", table.schema.field("battery_temperature_peak").metadata[b"unit"], b"Cel")
    tally.check("Parquet: km", table["distance"].to_pylist(), [row["distance"] for row in rows])


def main():
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        replay_demo(store, "--leave-open")
        more_months(store)
        compare(tally, store, "open")
        yardtap("close", "--store", store)
        compare(tally, store, "closed")
        forms(tally, store, folder)
    tally.end(at_least=2000)


main()
