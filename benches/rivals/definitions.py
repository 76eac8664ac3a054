#!/usr/bin/env python3
"""messages.txt -> a definition set, so that yardtap decodes what the rivals decode.

    definitions.py FOLDER            # messages.toml
    definitions.py FOLDER --rules    # and rules.toml: a run, conditions, a dozen counters of all kinds
    definitions.py FOLDER --fastest  # the same over the four fastest messages: every second frame is looked at

Sets with rules and without show what counting runs costs. Vehicles say what counters look at (volts, amperes, speed,
temperatures) every 100 ms or more seldom; 10 ms and 20 ms are control loops, of use as the worst case.
"""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent

# Units, for the rules: by class of signal; of measured values ("a") by place in the message.
UNITS = {"t": "Cel", "o": "kW.h", "c": "1"}
MEASURED = ["V", "A", "km/h", "%"]

RULES = """\
# A run over the whole capture, and a dozen counters of all kinds.
format = 1

[run]
while      = "in_use"
ends_after = "2min"
gap        = "10min"
shortest   = "30s"
distance   = "msg00.m00_s2_a"

# A rolling counter is never 'not available': always in use.
[[condition]]
name = "in_use"
all  = [{ signal = "msg01.m01_s5_c", above = -1 }]

[[condition]]
name = "rolled"
all  = [{ signal = "msg01.m01_s5_c", above = 200, back_below = 50 }]

[[condition]]
name = "switched"
all  = [{ signal = "msg02.m02_s5_f", is = true }, { condition = "idle", is = false }]
for  = "400ms"

[[condition]]
name    = "idle"
any     = [{ signal = "msg01.m01_s3_e", is = [0, 1, 2] }, { signal = "msg01.m01_s0_a", missing = true }]
lingers = "2s"

[[condition]]
name = "warm"
all  = [{ signal = "msg03.m03_s2_t", above = 50, back_below = 45 }]
for  = "1s"

[[counter]]
name  = "rolls"
count = "rolled"
while = "warm"
rearm = "30s"
[[counter]]
name  = "switches"
count = "switched"
keep  = ["msg00.m00_s0_a", "msg00.m00_s1_a", "msg03.m03_s2_t"]
[[counter]]
name   = "grown"
growth = "{slow}"
[[counter]]
name = "hottest"
peak = "msg03.m03_s2_t"
[[counter]]
name = "lowest_volts"
low  = "msg00.m00_s0_a"
held = "100ms"
[[counter]]
name = "mean_volts"
mean = "msg00.m00_s0_a"
[[counter]]
name  = "mean_volts_warm"
mean  = "msg00.m00_s0_a"
while = "warm"
[[counter]]
name     = "out"
integral = ["msg00.m00_s0_a", "msg00.m00_s1_a"]
side     = "positive"
unit     = "kW.h"
[[counter]]
name     = "back"
integral = ["msg00.m00_s0_a", "msg00.m00_s1_a"]
side     = "negative"
unit     = "kW.h"
[[counter]]
name = "switched_s"
time = "switched"
[[counter]]
name     = "km"
distance = "run"
[[counter]]
name     = "warm_km"
distance = "warm"
"""


def messages():
    """(identifier, name, period in ms, bytes, signals), as make_messages.py wrote them."""
    found = []
    for line in (HERE / "messages.txt").read_text().splitlines():
        kind, *words = line.split()
        if kind == "M":
            found.append((words[0], words[1], int(words[2]), int(words[3]), []))
        else:
            name, order, shift, bits, signed, scale, offset, unavailable, kind, _ = words
            found[-1][4].append(
                (name, order, int(shift), int(bits), int(signed), float(scale), float(offset), int(unavailable), kind)
            )
    return found


def message_toml(identifier, name, period_ms, length, signals):
    yield "[[message]]"
    yield f'name = "{name}"\nbus = "rivals"\nextended_id = 0x{identifier}\nlength = {length}\nperiod = "{period_ms}ms"'
    measured = iter(MEASURED)
    for signal, order, shift, bits, signed, scale, offset, unavailable, kind in signals:
        # Shifts count from the lightest bit of the payload as one number; of big order, read from its last byte.
        byte = shift // 8 if order == "L" else 7 - shift // 8
        yield "[[message.signal]]"
        yield f'name = "{signal}"\nlsb = "{byte + 1}.{shift % 8 + 1}"\nbits = {bits}'
        yield f'order = "{"little" if order == "L" else "big"}"'
        if bits > 1:
            yield f'as = "{"signed" if signed else "unsigned"}"'
        if (scale, offset) != (1, 0):
            yield f"scale = {scale}\noffset = {offset}"
        unit = next(measured, None) if kind == "a" else UNITS.get(kind)
        if unit:
            yield f'unit = "{unit}"'
        if unavailable >= 0:
            yield f"unavailable = [{unavailable}]"
    first, bits, offset = signals[0][0], signals[0][3], signals[0][6]
    yield "[[message.example]]"
    yield f'data = "{"00" * length}"\nexpect = {{ {first} = {offset if bits > 1 else "false"} }}'


def main():
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    found = messages()
    lines = ["format = 1", "[bus.rivals]", 'protocol = "plain"', "bitrate = 250_000"]
    for message in found:
        lines += message_toml(*message)
    (folder / "messages.toml").write_text("\n".join(lines) + "\n")
    if sys.argv[2:]:
        # A module's own counter grows with every frame here, and every growth is an event: take the slowest.
        slow = max((period, f"{name}.{signal[0]}") for _, name, period, _, signals in found
                   for signal in signals if signal[8] == "o")[1]
        rules = RULES.replace("{slow}", slow)
        if sys.argv[2] == "--rules":
            # Messages of the same make, of 100 ms.
            for fast, usual in (("00", "11"), ("01", "08"), ("02", "09"), ("03", "10")):
                rules = rules.replace(f"msg{fast}.m{fast}", f"msg{usual}.m{usual}")
        (folder / "rules.toml").write_text(rules)


main()
