#!/usr/bin/env python3
"""The service's metrics through the parser of prometheus_client: names, kinds, labels, and what was really recorded.

The service runs as a process, with a pipe for a bus.
"""

import json
import math
import os
import re
import subprocess
import tempfile
import time
import urllib.request
from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families

from common import COMMAND, Tally, pcapng, record

FRAMES = 5_000
PATIENCE_S = 60
DEFS = """format = 1
[bus.b]
protocol = "plain"
bitrate = 500_000
[[message]]
name = "m"
bus = "b"
id = 1
[[message.signal]]
name = "s"
lsb = "1.1"
bits = 8
[[message.example]]
data = "07"
expect = { s = 7 }
"""
CONFIG = """definitions = "defs"
store = "store"
vehicle = "1"
[[tap]]
name = "lead"
[[tap.bus]]
bus = "b"
pipe = "can0"
[pages]
listen = "127.0.0.1:0"
"""


def get(url):
    with urllib.request.urlopen(url, timeout=10) as answer:
        return answer.headers["Content-Type"], answer.read().decode()


def families(text):
    return {family.name: family for family in text_string_to_metric_families(text)}


def main():
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        (folder / "defs").mkdir()
        (folder / "defs/set.toml").write_text(DEFS)
        (folder / "yardtap.toml").write_text(CONFIG)
        os.mkfifo(folder / "can0")
        log = open(folder / "log", "w+")
        service = subprocess.Popen([*COMMAND, "gateway", "--config", folder / "yardtap.toml"], stderr=log)
        try:
            address = wait(lambda: re.search(r"http://[0-9.:]+/", (folder / "log").read_text()), service, log)[0]
            begun_us = int(time.time() * 1e6)
            packets = [(begun_us + 100 * n, 0, record(1, bytes([n % 256]))) for n in range(FRAMES)]
            (folder / "can0").write_bytes(pcapng(["can0"], packets))
            recorded = lambda: sum(sample.value for sample in families(get(address + "metrics")[1])["yardtap_frames"].samples) >= FRAMES
            wait(recorded, service, log)
            kind, text = get(address + "metrics")
            tally.check("content type", kind, "text/plain; version=0.0.4; charset=utf-8")
            known = families(text)
            for name, family in known.items():
                tally.true(f"{name} has a help text", family.documentation)
                tally.true(f"{name} is a counter or a gauge", family.type in ("counter", "gauge"))
                tally.true(f"{name} has samples", family.samples)
                for sample in family.samples:
                    tally.true(f"{sample} is a number", math.isfinite(sample.value))
                    tally.true(f"{sample} is not negative", sample.value >= 0)
                    tally.check(f"{sample.name} ends as its kind does", sample.name.endswith("_total"), family.type == "counter")
            of = lambda name: known[name].samples[0]
            tally.check("frames", int(of("yardtap_frames").value), FRAMES)
            tally.check("labels", of("yardtap_frames").labels, {"tap": "lead", "bus": "b", "interface": "can0"})
            tally.near("last frame", of("yardtap_last_frame_timestamp_seconds").value, time.time(), PATIENCE_S)
            tally.near("start", of("yardtap_start_time_seconds").value, time.time(), 2 * PATIENCE_S)
            tally.check("dropped", int(of("yardtap_queue_dropped_frames").value), 0)
            states = {s.labels["state"]: s.value for s in known["yardtap_interface_state"].samples}
            tally.check("one state", int(sum(states.values())), 1)
            status = json.loads(get(address + "status.json")[1])
            tally.check("status.json", status["taps"][0]["buses"][0]["frames"], FRAMES)
            tally.check("definition set", of("yardtap_definitions_info").labels["hash"], status["definitions_hash"])
        finally:
            service.terminate()
            code = service.wait(PATIENCE_S)
        tally.check("it ends well", code, 0)
    tally.end(at_least=150)


def wait(so, service, log):
    """Until something holds; ends the check where the service ends first, or it takes too long."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if held := so():
            return held
        if service.poll() is not None:
            break
        time.sleep(0.1)
    log.seek(0)
    raise SystemExit(f"it did not come; the service said:\n{log.read()[-3000:]}")


main()
