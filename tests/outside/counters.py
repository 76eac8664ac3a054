#!/usr/bin/env python3
"""Counters of the demo's runs: against what was simulated, and against a slow, obvious evaluation of the rules.

(a) `demo-captures/truth.json` tells what really happened; tolerances are those at the head of src/simulate/truth.rs.
(b) The rules (signal-defs/velmora/*.toml, read here) are evaluated over the signals tables (read by pyarrow), frame by
    frame, by the semantics of signal-defs/README.md: three-valued conditions with `for` and `lingers`, staleness, growth,
    held peaks, integrals over time. Every counter of every run, and every event with its kept values, is compared.
"""

import copy
import json
import math
import re
import tempfile
import tomllib
from pathlib import Path

from common import DEMO, ROOT, Tally, files_of, json_rows, read_file, replay_demo, times_us, us

DEFS = ROOT / "signal-defs" / "velmora"
UNITS = {"kW.h": 3.6e6, "A.h": 3600.0, "J": 1.0}
SECONDS = {"ms": 1e-3, "s": 1, "min": 60, "h": 3600}


def length_us(text):
    number, unit = re.fullmatch(r"([0-9.]+)(ms|s|min|h)", text).groups()
    return round(float(number) * SECONDS[unit] * 1e6)


def load():
    run, conditions, counters, messages = None, {}, [], {}
    for path in sorted(DEFS.glob("*.toml")):
        written = tomllib.loads(path.read_text())
        run = written.get("run", run)
        conditions.update((c["name"], c) for c in written.get("condition", []))
        counters += written.get("counter", [])
        messages.update((m["name"], m) for m in written.get("message", []))
    return run, conditions, counters, messages


def in_order(conditions):
    """Conditions, those first on which others rest."""
    done = []

    def visit(name):
        if name not in done:
            for term in terms_of(conditions[name]):
                if "condition" in term:
                    visit(term["condition"])
            done.append(name)

    for name in conditions:
        visit(name)
    return done


def terms_of(condition):
    return condition.get("all") or condition["any"]


class Delayed:
    """A truth with its `for` and `lingers`. True, False, or None: unknown."""

    def __init__(self, written):
        self.holds_us = length_us(written["for"]) if "for" in written else 0
        self.lingers_us = length_us(written["lingers"]) if "lingers" in written else 0
        self.input = self.held = None
        self.true_at = self.ceases_at = math.inf

    def put(self, now, truth):
        if truth is self.input:
            return
        self.input, self.true_at = truth, math.inf
        if truth and self.holds_us:
            self.true_at = now + self.holds_us
            truth = False  # not yet
        self.hold(now, truth)

    def hold(self, now, truth):
        if truth:
            self.ceases_at = math.inf
        elif self.held and self.lingers_us:
            self.ceases_at = now + self.lingers_us
        self.held = truth

    def ripen(self, now):
        if self.true_at <= now:
            self.true_at = math.inf
            self.hold(now, True)
        if self.ceases_at <= now:
            self.ceases_at = math.inf

    def due(self):
        return min(self.true_at, self.ceases_at)

    def truth(self):
        return True if self.ceases_at < math.inf else self.held


def negated(truth, wanted):
    return truth if truth is None or wanted else not truth


class Vehicle:
    """Everything that is known of one vehicle at an instant."""

    def __init__(self, run, conditions, counters, messages, places):
        self.run_rules, self.counters, self.messages, self.places = run, counters, messages, places
        self.conditions = {name: conditions[name] for name in in_order(conditions)}
        self.stale_after = {
            name: 3 * length_us(message["period"]) if "period" in message else 10_000_000
            for name, message in messages.items()
        }
        self.runs, self.events = [], []
        self.forget()

    def forget(self):
        self.values, self.stale_at = {}, {}
        self.terms = {(name, i): [Delayed(t), False] for name, c in self.conditions.items() for i, t in enumerate(terms_of(c))}
        self.stands = {name: Delayed(c) for name, c in self.conditions.items()}
        self.truths = dict.fromkeys(self.conditions)
        self.ceased = {}
        self.last_raw = {}
        self.run, self.now = None, None

    # signals

    def known(self, path):
        state, value = self.values.get(path, ("unknown", None))
        return value if state == "known" else None

    def number(self, path):
        value = self.known(path)
        return None if value is None else float(value)

    def test(self, term, memory):
        """A term's truth, without its delays; `memory[1]` tells that a threshold was passed."""
        if "condition" in term:
            return negated(self.truths[term["condition"]], term.get("is", True))
        state, _ = self.values.get(term["signal"], ("unknown", None))
        if term.get("missing"):
            return None if state == "unknown" else state == "absent"
        value = self.known(term["signal"])
        if value is None:
            memory[1] = False
            return None
        if "above" in term:
            memory[1] = value >= term.get("back_below", term["above"]) if memory[1] else value > term["above"]
            return memory[1]
        if "below" in term:
            memory[1] = value <= term.get("back_above", term["below"]) if memory[1] else value < term["below"]
            return memory[1]
        wanted = term["is"] if "is" in term else term["is_not"]
        wanted = wanted if isinstance(wanted, list) else [wanted]
        return (value in wanted) is ("is" in term)

    # time

    def frame(self, now, message, values):
        self.until(now - 1)
        self.now = now
        self.stale_at[message] = now + self.stale_after[message]
        changed = False
        for path, value in values.items():
            if self.values.get(path) != value:
                self.values[path] = value
                changed = True
        if changed:
            self.evaluate(now, False)
        self.growth(now, message)
        self.points(now, message)

    def until(self, limit):
        """Does what is due up to `limit`."""
        while True:
            due = min(self.stale_at.values(), default=math.inf)
            due = min(due, self.next_due())
            if due > limit:
                return
            self.now = due
            for message, at in list(self.stale_at.items()):
                if at <= due:
                    del self.stale_at[message]
                    for path in self.values:
                        if path.startswith(message + "."):
                            self.values[path] = ("unknown", None)
            self.evaluate(due, True)
            if self.run and self.run["ended_at"] is not None and due >= self.run["over_at"]:
                self.close("out of use")

    def next_due(self):
        found = min(d.due() for d in self.stands.values())
        found = min(found, min(memory[0].due() for memory in self.terms.values()))
        if self.run and self.run["ended_at"] is not None:
            found = min(found, self.run["over_at"])
        return found

    def evaluate(self, now, ripen):
        changes = []
        for name, condition in self.conditions.items():
            truths = []
            for i, term in enumerate(terms_of(condition)):
                memory = self.terms[name, i]
                memory[0].put(now, self.test(term, memory))
                if ripen:
                    memory[0].ripen(now)
                truths.append(memory[0].truth())
            if "all" in condition:
                truth = False if False in truths else None if None in truths else True
            else:
                truth = True if True in truths else None if None in truths else False
            self.stands[name].put(now, truth)
            if ripen:
                self.stands[name].ripen(now)
            was, self.truths[name] = self.truths[name], self.stands[name].truth()
            if was is not self.truths[name]:
                changes.append((name, was, self.ceased.get(name)))
                if was:
                    self.ceased[name] = now
        self.follow(now, changes)

    # runs

    def follow(self, now, changes):
        in_use = self.truths[self.run_rules["while"]] is True
        fresh = False
        if self.run is None and in_use:
            fresh = True
            self.run = {"start": now, "ended_at": None, "over_at": math.inf, "events": [], "at": now,
                        "sum": {}, "time": {}, "count": {}, "resets": {}, "known": set(), "placed": set(), "unplaced": set(), "points": {}, "open": {}, "rate": {}}
            for counter in self.counters:
                if "growth" in counter:
                    self.last_raw[counter["name"]] = self.known(counter["growth"])
                    if self.last_raw[counter["name"]] is not None:
                        self.run["known"].add(counter["name"])
        elif self.run is not None:
            self.accrue(now)
            if in_use:
                self.run["ended_at"], self.run["over_at"] = None, math.inf
            elif self.run["ended_at"] is None:
                self.run["ended_at"], self.run["over_at"] = now, now + length_us(self.run_rules["ends_after"])
                self.run["kept"] = {key: dict(self.run[key]) for key in ("sum", "time", "count", "resets")}
                self.run["kept"]["known"] = set(self.run["known"])
        if self.run is None:
            return
        for counter in self.counters:
            self.set_rate(now, counter)
        if not fresh:
            for name, was, ceased in changes:
                self.count(now, name, was, ceased)

    def close(self, why):
        run, self.run = self.run, None
        end = run["ended_at"] if run["ended_at"] is not None else self.now
        if run["ended_at"] is not None:
            run.update(run["kept"])
        if end - run["start"] < length_us(self.run_rules["shortest"]):
            return
        row = {"start": run["start"], "end": end, "ended_by": why}
        for counter in self.counters:
            row.update(self.result(counter, run, end))
        self.runs.append(row)
        self.events += [event for event in run["events"] if event["time"] <= end]

    def cut(self, last_us, why):
        """No frame follows for long, or at all."""
        self.until(last_us)
        self.now = last_us
        if self.run is not None:
            self.accrue(last_us)
            as_it_stood = copy.deepcopy(self.run)
            if why == "silence":
                # Values go stale, so use ends, and `ends_after` may be over before `gap` is.
                self.until(last_us + length_us(self.run_rules["gap"]))
            if self.run is not None:
                self.run, self.now = as_it_stood, last_us
                self.close(why)
        self.forget()

    # counters

    def gate(self, counter):
        return self.truths[counter["while"]] if "while" in counter else True

    def set_rate(self, now, counter):
        name, run, gate = counter["name"], self.run, self.gate(counter)
        if "count" in counter:
            if gate is not None and self.truths[counter["count"]] is not None:
                run["known"].add(name)
            return
        if "peak" in counter or "low" in counter:
            value = self.number(counter.get("peak") or counter.get("low")) if gate else None
            stretches = run["points"].setdefault(name, [])
            is_open = bool(stretches) and stretches[-1]["end"] is None
            if value is None and is_open:
                stretches[-1]["end"] = now
            elif value is not None and not is_open:
                stretches.append({"points": [(now, value, False)], "end": None})
            return
        if "mean" in counter:
            rate, over = self.number(counter["mean"]), gate
        elif "integral" in counter:
            factors = [self.number(path) for path in counter["integral"]]
            rate, over = (None if None in factors else math.prod(factors)), gate
            if rate is not None:
                side = counter.get("side", "both")
                rate = rate if side == "both" else max(rate, 0.0) if side == "positive" else max(-rate, 0.0)
        elif "time" in counter:
            rate, over = 0.0, self.truths[counter["time"]]
        elif "distance" in counter:
            rate = self.number(self.run_rules["distance"])
            rate = None if rate is None else abs(rate)
            over = True if counter["distance"] == "run" else self.truths[counter["distance"]]
        else:
            return
        if rate is not None and over is not None:
            run["known"].add(name)
        run["rate"][name] = rate if over else None

    def accrue(self, now):
        run = self.run
        elapsed = now - run["at"]
        if elapsed > 0:
            for name, rate in run["rate"].items():
                if rate is not None:
                    run["sum"][name] = run["sum"].get(name, 0.0) + rate * elapsed
                    run["time"][name] = run["time"].get(name, 0) + elapsed
            run["at"] = now

    def near(self, counter, key="unless_within"):
        latitude, longitude = (self.known(path) for path in self.run_rules["position"])
        if latitude is None or longitude is None:
            return False
        for near in counter.get(key, []):
            for kind, lat, lon in self.places:
                if kind == near["special_work"] and metres(latitude, longitude, lat, lon) <= near["metres"]:
                    return True
        return False

    def event(self, now, counter, amount):
        latitude, longitude = (self.known(path) for path in self.run_rules["position"])
        both = latitude is not None and longitude is not None
        event = {"counter": counter["name"], "time": now, "amount": amount, "run_start": self.run["start"],
                 "latitude": latitude if both else None, "longitude": longitude if both else None,
                 "kept": {path: self.known(path) for path in counter.get("keep", [])}}
        self.run["events"].append(event)

    def count(self, now, condition, was, ceased):
        for counter in self.counters:
            if counter.get("count") != condition or was or not self.truths[condition]:
                continue
            rearm = length_us(counter["rearm"]) if "rearm" in counter else 0
            if ceased is not None and now - ceased < rearm or not self.gate(counter) or self.near(counter):
                continue
            if counter.get("within"):
                latitude, longitude = (self.known(path) for path in self.run_rules["position"])
                kinds = [near["special_work"] for near in counter["within"]]
                placed = latitude is not None and longitude is not None and any(p[0] in kinds for p in self.places)
                self.run["placed" if placed else "unplaced"].add(counter["name"])
                if not self.near(counter, "within"):
                    continue
            self.run["count"][counter["name"]] = self.run["count"].get(counter["name"], 0) + 1
            self.event(now, counter, 1.0)

    def growth(self, now, message):
        for counter in self.counters:
            if "growth" not in counter or not counter["growth"].startswith(message + "."):
                continue
            value, name = self.known(counter["growth"]), counter["name"]
            if value is None:
                continue
            last, self.last_raw[name] = self.last_raw.get(name), value
            if self.run is None:
                continue
            self.run["known"].add(name)
            if last is None or not self.gate(counter):
                continue
            (signal,) = [s for s in self.messages[message]["signal"] if s["name"] == counter["growth"].split(".")[1]]
            wide = 2 ** signal["bits"]
            step = (value - last) % wide
            if step > counter.get("step_max", wide // 8):
                # Neither grown nor rolled over: begun anew, at 0.
                self.run["resets"][name] = self.run["resets"].get(name, 0) + 1
                step = value if value < last else 0
            if step:
                self.run["count"][name] = self.run["count"].get(name, 0) + step
                self.event(now, counter, float(step))

    def points(self, now, message):
        if self.run is None:
            return
        for counter in self.counters:
            path = counter.get("peak") or counter.get("low")
            if path and path.startswith(message + "."):
                stretches = self.run["points"].get(counter["name"], [])
                if stretches and stretches[-1]["end"] is None:
                    points = stretches[-1]["points"]
                    if points[-1][0] == now and not points[-1][2]:
                        points.pop()
                    points.append((now, self.number(path), True))

    def result(self, counter, run, end):
        name = counter["name"]
        if "peak" in counter or "low" in counter:
            value, at = held_peak(run["points"].get(name, []), end, length_us(counter["held"]), 1 if "peak" in counter else -1)
            return {name: value, name + "_at": at}
        is_known = name in run["known"]
        if name in run["unplaced"] - run["placed"]:
            return {name: None}
        if "count" in counter:
            return {name: run["count"].get(name, 0) if is_known else None}
        if "growth" in counter:
            found = {name: float(run["count"].get(name, 0)), name + "_resets": run["resets"].get(name, 0)}
            return found if is_known else dict.fromkeys(found)
        total, time = run["sum"].get(name, 0.0), run["time"].get(name, 0)
        if not is_known:
            return {name: None}
        if "mean" in counter:
            return {name: total / time if time else None}
        if "integral" in counter:
            return {name: total / 1e6 / UNITS[counter["unit"]]}
        if "time" in counter:
            return {name: time / 1e6}
        return {name: total / 1e6 / 3600}


def held_peak(stretches, end, held_us, sign):
    """The highest level not left for `held_us`, over three frames at least: every window looked at in turn."""
    best, best_at = None, None
    for stretch in stretches:
        points = [point for point in stretch["points"] if point[0] <= end]
        until = min(stretch["end"] if stretch["end"] is not None else end, end)
        for first, (since, value, _) in enumerate(points):
            if best is not None and value * sign <= best:
                continue
            lowest, frames, at = value * sign, 0, since
            for at, other, is_frame in points[first:]:
                if at - since >= held_us and frames >= 3:
                    break
                lowest, frames = min(lowest, other * sign), frames + is_frame
            reached = max(since + held_us, points[first:][frames_needed(points[first:])][0] if frames >= 3 else until + 1)
            if frames >= 3 and reached <= until and (best is None or lowest > best):
                best, best_at = lowest, reached
    return (None, None) if best is None else (best * sign, best_at)


def frames_needed(points):
    """Index of the third frame."""
    seen = 0
    for index, (_, _, is_frame) in enumerate(points):
        seen += is_frame
        if seen == 3:
            return index
    return len(points) - 1


def metres(lat1, lon1, lat2, lon2):
    a, b = math.radians(lat1), math.radians(lat2)
    h = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(math.radians(lon2 - lon1) / 2) ** 2
    return 2 * 6_371_008.8 * math.asin(math.sqrt(h))


def places():
    found = []
    for feature in json.loads((DEMO / "overhead.geojson").read_text())["features"]:
        kind = feature["properties"].get("special_work") or feature["properties"].get("kind")
        if feature["geometry"]["type"] == "Point" and kind:
            longitude, latitude = feature["geometry"]["coordinates"][:2]
            found.append((kind, latitude, longitude))
    return found


def signals_used(run, conditions, counters):
    used = {run["distance"], *run["position"]}
    for condition in conditions.values():
        used |= {term["signal"] for term in terms_of(condition) if "signal" in term}
    for counter in counters:
        used |= set(counter.get("keep", [])) | set(counter.get("integral", []))
        used |= {counter[key] for key in ("growth", "peak", "low", "mean") if key in counter}
    return used


def frames_of(store, used, messages):
    """By vehicle: frames (time, message, values) that the rules use, in order; and the times of all frames."""
    frames, times = {}, {}
    for path in files_of(store, "signals") + files_of(store, "raw"):
        (message,) = [part[8:] for part in path.parts if part.startswith("message=")] or [None]
        table = read_file(path)
        at, vehicles = times_us(table["time"]), table["vehicle"].to_pylist()
        for time_us, vehicle in zip(at, vehicles):
            times.setdefault(vehicle, []).append(time_us)
        paths = [path for path in used if path.split(".")[0] == message]
        if not paths:
            continue
        assert not any(s.get("when") for s in messages[message]["signal"]), f"{message} has pages: not evaluated here"
        columns = [table[path.split(".")[1]].to_pylist() for path in paths]
        status = table["status"].to_pylist()
        for row, (time_us, vehicle) in enumerate(zip(at, vehicles)):
            doubtful = status[row].split() if status[row] else ()
            values = {}
            for path, column in zip(paths, columns):
                value = column[row]
                if value is None:
                    values[path] = ("absent", None)
                elif path.split(".")[1] + "=implausible" in doubtful:
                    values[path] = ("doubtful", value)
                else:
                    values[path] = ("known", value)
            frames.setdefault(vehicle, []).append((time_us, message, values))
    for vehicle in frames:
        frames[vehicle].sort(key=lambda frame: frame[:2])
        times[vehicle].sort()
    return frames, times


def evaluate(store):
    run, conditions, counters, messages = load()
    frames, times = frames_of(store, signals_used(run, conditions, counters), messages)
    gap, found = length_us(run["gap"]), {}
    for vehicle, rows in frames.items():
        state = found[vehicle] = Vehicle(run, conditions, counters, messages, places())
        silences = [a for a, b in zip(times[vehicle], times[vehicle][1:]) if b - a > gap]
        for time_us, message, values in rows:
            while silences and time_us > silences[0]:
                state.cut(silences.pop(0), "silence")
            state.frame(time_us, message, values)
        state.cut(times[vehicle][-1], "end of recording")
    return found, counters


def by_rules(tally, store):
    found, counters = evaluate(store)
    rows, events = json_rows(store), json_rows(store, "events")
    tally.true("vehicles", set(found) == {row["vehicle"] for row in rows})
    for vehicle, state in found.items():
        got = [row for row in rows if row["vehicle"] == vehicle]
        if not tally.check(f"{vehicle}: runs", len(got), len(state.runs)):
            continue
        for row, wanted in zip(got, state.runs):
            what = f"{vehicle} {row['start']}"
            for key, value in wanted.items():
                if key in ("start", "end") or key.endswith("_at"):
                    tally.check(f"{what}: {key}", us(row[key]), value)
                elif isinstance(value, float):
                    # Sums of many products, in another order.
                    tally.near(f"{what}: {key}", row[key], value, 1e-9 * max(1.0, abs(value)))
                else:
                    tally.check(f"{what}: {key}", row[key], value)
        got = sorted((us(e["time"]), e["counter"]) for e in events if e["vehicle"] == vehicle)
        wanted = sorted((e["time"], e["counter"]) for e in state.events)
        tally.check(f"{vehicle}: events", got, wanted)
        by_key = {(us(e["time"]), e["counter"]): e for e in events if e["vehicle"] == vehicle}
        for event in state.events:
            row = by_key.get((event["time"], event["counter"]))
            if row is None:
                continue
            what = f"{vehicle} {row['time']} {event['counter']}"
            for key in ("amount", "latitude", "longitude"):
                tally.check(f"{what}: {key}", row[key], event[key])
            tally.check(f"{what}: run", us(row["run_start"]), event["run_start"])
            for path, value in event["kept"].items():
                value = float(value) if isinstance(value, int) and not isinstance(value, bool) else value
                tally.check(f"{what}: {path}", row[path], value)


def within(tally, what, got, wanted, share, fixed):
    tally.near(what, got, wanted, abs(wanted) * share + fixed)


def by_truth(tally, store):
    truth = json.loads((DEMO / "truth.json").read_text())
    rows, events = json_rows(store), json_rows(store, "events")
    # The rules' `for`. Poles are told as not raised as soon as they are lowered, and the battery drives when they are down,
    # 2.5 s later.
    delays = {"pole_offs": 0.4, "contactor_dropouts": 0.2, "off_wire_changes": -2.5}
    for vehicle in truth["vehicles"]:
        name = vehicle["vehicle"]
        got = sorted((row for row in rows if row["vehicle"] == name), key=lambda row: row["start"])
        if not tally.check(f"{name}: runs", len(got), len(vehicle["runs"])):
            continue
        for row, run in zip(got, vehicle["runs"]):
            what = f"{name} {row['start']}"
            tally.near(f"{what}: start", us(row["start"]), run["start_us"], 300_000)
            # Where silence follows, use ends when its signal goes stale: three periods of 200 ms after its last frame.
            tally.near(f"{what}: end", us(row["end"]), run["end_us"], 900_000 if row["ended_by"] == "out of use" else 300_000)
            within(tally, f"{what}: km", row["distance"], run["km"], 0.005, 0.02)
            within(tally, f"{what}: off-wire km", row["off_wire_distance"], run["off_wire_km"], 0.005, 0.02)
            within(tally, f"{what}: from line", row["energy_from_line"], run["line_kwh"], 0.01, 0.05)
            within(tally, f"{what}: to line", row["energy_to_line"], run["back_kwh"], 0.01, 0.05)
            within(tally, f"{what}: from battery", row["energy_from_battery"], run["battery_out_kwh"], 0.03, 0.05)
            within(tally, f"{what}: into battery", row["energy_into_battery"], run["battery_in_kwh"], 0.03, 0.05)
            # Each time the pedal is released it is told up to 0.1 s before or after the current.
            within(tally, f"{what}: coasting", row["coasting_under_current_time"], run["coasting_under_current_s"], 0.03, 6)
            # The rule's `for` once for each spell, and the time that the poles take to come down.
            spells = row["parkings_poles_down"]
            parked = row["parked_poles_down_time"] + 30 * spells
            within(tally, f"{what}: parked", parked, run["parked_poles_down_s"], 0, 0.6 + 2.5 * spells)
            for counter, peak, kelvin in (("battery_temperature_peak", "battery_peak", 0.15), ("ambient_temperature_peak", "ambient_peak", 0.15), ("motor_temperature_peak", "motor_peak", 1)):
                tally.near(f"{what}: {counter}", row[counter], run[peak]["value"], kelvin)
            for counter in ("pole_offs", "battery_timeouts", "contactor_dropouts", "phantom_voltages", "off_wire_changes"):
                happened = [h for h in run[counter] if not h.get("begun_before")]
                # What had begun before the recording becomes true from unknown in its first frames, or stands already.
                before = len(run[counter]) - len(happened)
                tally.true(f"{what}: {counter} {row[counter]}, {len(happened)} and {before} begun before",
                           len(happened) <= row[counter] <= len(happened) + before)
                seen = [us(e["time"]) for e in events if (e["vehicle"], e["counter"], e["run_start"]) == (name, counter, row["start"])]
                tolerance = 600_000 if counter == "battery_timeouts" else 300_000
                tally.check(f"{what}: an event for each of {counter}", len(seen), row[counter])
                for at, happening in zip(sorted(seen)[row[counter] - len(happened) :], sorted(h["time_us"] for h in happened)):
                    tally.near(f"{what}: time of {counter}", at, happening + round(delays.get(counter, 0) * 1e6), tolerance)
            long = sum(gap["duration_ms"] >= 200 for gap in run["section_gaps"])
            tally.true(f"{what}: section gaps {row['section_gaps']}, {long} long ones of {len(run['section_gaps'])}", long <= row["section_gaps"] <= len(run["section_gaps"]))
            tally.check(f"{what}: timeouts by the manager", row["battery_timeouts_by_manager"], float(len(run["battery_timeouts"])))
            jumps = sum(jump["kind"] == "reset" for jump in run["counter_jumps"])
            tally.check(f"{what}: resets", row["battery_timeouts_by_manager_resets"], jumps)


def main():
    tally = Tally(40)
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        replay_demo(store)
        by_truth(tally, store)
        by_rules(tally, store)
    tally.end(at_least=700)


main()
