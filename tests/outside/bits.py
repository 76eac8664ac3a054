#!/usr/bin/env python3
"""Bit fields against bitstruct: random layouts and payloads through the definitions, the decoder and the files.

Definition sets of random messages are written, captures of random payloads filed, and every value of the signals tables
compared with what bitstruct takes out of the same bytes: whole numbers exactly, floats by their bits, scaled values as
the double-precision raw × scale + offset. Gaps and the status column are compared too.
"""

import math
import random
import struct
import tempfile
from pathlib import Path

import bitstruct
from common import EXTENDED, Tally, files_of, pcapng, read_file, record, times_us, yardtap

SEED = 20260314
SETS, MESSAGES, FRAMES = 6, 130, 20
LENGTHS = [1, 2, 3, 4, 5, 6, 7, 8, 8, 8, 12, 16, 20, 24, 32, 48, 64]
T0 = 1_770_000_000_000_000


class Signal:
    def __init__(self, name, form, order, bits, lsb):
        self.name, self.form, self.order, self.bits, self.lsb = name, form, order, bits, lsb  # lsb: byte, bit from 0
        self.scale, self.offset = 1, 0
        self.labels, self.plausible, self.unavailable, self.error, self.when = {}, None, [], [], None

    def last_byte(self):
        byte, bit = self.lsb
        return byte if self.order == "big" else byte + (bit + self.bits - 1) // 8

    def stream(self, length):
        """First bit in the stream that bitstruct reads: of the payload (big), or of the payload reversed (little)."""
        byte, bit = self.lsb
        byte = byte if self.order == "big" else length - 1 - byte
        return 8 * byte + 7 - bit - (self.bits - 1)

    def take(self, data, letter):
        data = data if self.order == "big" else data[::-1]
        return bitstruct.unpack_from(f"{letter}{self.bits}", data, self.stream(len(data)))[0]

    def toml(self):
        lines = [
            "  [[message.signal]]",
            f'  name = "{self.name}"',
            f'  lsb = "{self.lsb[0] + 1}.{self.lsb[1] + 1}"',
            f"  bits = {self.bits}",
            f'  order = "{self.order}"',
            f'  as = "{self.form}"',
        ]
        if (self.scale, self.offset) != (1, 0):
            lines += [f"  scale = {self.scale!r}", f"  offset = {self.offset!r}"]
        if self.labels:
            lines.append("  labels = { " + ", ".join(f'{raw} = "{text}"' for raw, text in self.labels.items()) + " }")
        for key, ranges in (("unavailable", self.unavailable), ("error", self.error)):
            if ranges:
                # TOML's integers have a sign: heavier patterns of 64 bits are written as the negative number of the same bits.
                pairs = [[raw - 2**64 if raw >= 2**63 else raw for raw in pair] for pair in ranges]
                lines.append(f"  {key} = {pairs}")
        if self.plausible:
            lines.append(f"  plausible = [{self.plausible[0]!r}, {self.plausible[1]!r}]")
        if self.when:
            lines.append(f'  when = {{ selector = "{self.when[0].name}", is = {self.when[1]} }}')
        return lines

    def expected(self, data):
        """(value or None, word for the status column or None)"""
        if self.last_byte() >= len(data):
            return None, None
        if self.when:
            selector, pages = self.when
            if selector.last_byte() >= len(data) or selector.take(data, "u") not in pages:
                return None, None
        raw = self.take(data, "u")
        if any(a <= raw <= b for a, b in self.error):
            return None, "error"
        if any(a <= raw <= b for a, b in self.unavailable):
            return None, None
        if self.form == "float":
            value = self.take(data, "f")
            if math.isnan(value):
                return None, "not_a_number"
        elif self.form == "flag":
            return bool(raw), None
        elif self.labels:
            return self.labels.get(raw, str(raw)), None
        else:
            whole = self.take(data, "s") if self.form == "signed" else raw
            if self.scale == 1 and self.offset == int(self.offset) and whole_column(self):
                value = whole + int(self.offset)
            else:
                value = float(whole) * self.scale + self.offset
        if self.plausible and not self.plausible[0] <= value <= self.plausible[1]:
            return value, "implausible"
        return value, None


def ranges_of(rng, top, count):
    found = []
    for _ in range(count):
        start = rng.randrange(top + 1)
        found.append((start, min(top, start + rng.choice([0, 0, 1, top // 50]))))
    return found


def random_signal(rng, name, length, taken):
    """A signal in free bits, or None."""
    order = rng.choice(["little", "big"])
    form = rng.choices(["unsigned", "signed", "float", "flag"], [10, 6, 3, 2])[0]
    if form == "float":
        bits = rng.choice([16, 32, 64])
    elif form == "flag":
        bits = 1
    else:
        bits = rng.choice([rng.randint(1, 64), rng.randint(1, 16), rng.choice([8, 16, 24, 32, 64])])
    if form == "signed":
        bits = max(bits, 2)
    positions = [(byte, bit) for byte in range(length) for bit in range(8)]
    rng.shuffle(positions)
    for lsb in positions[:40]:
        signal = Signal(name, form, order, bits, lsb)
        start = signal.stream(length)
        if start < 0 or start + bits > 8 * length:
            continue
        stream = range(start, start + bits)
        if order == "little":
            cells = {(length - 1 - at // 8, 7 - at % 8) for at in stream}
        else:
            cells = {(at // 8, 7 - at % 8) for at in stream}
        if cells & taken:
            continue
        taken |= cells
        break
    else:
        return None
    top = 2**bits - 1
    if form in ("unsigned", "signed"):
        kind = rng.randrange(5)
        if kind == 0 and form == "unsigned" and bits <= 16:
            raws = rng.sample(range(top + 1), min(top + 1, rng.randint(1, 5)))
            signal.labels = {raw: f"state {index}" for index, raw in enumerate(sorted(raws))}
        elif kind in (1, 2):
            signal.scale = rng.choice([0.1, 0.05, 0.5, 1 / 128, 1 / 256, 0.03125, -0.25, 2.5, 1e-7, 100.0])
            signal.offset = rng.choice([0, -273.0, -210.0, 12.5, -3200.0])
        elif kind == 3:
            signal.offset = rng.choice([-40, 1985, -125, 7])
        if bits > 2 and rng.random() < 0.3:
            signal.unavailable = ranges_of(rng, top, 1)
            taken_range = signal.unavailable[0]
            error = ranges_of(rng, top, 1)[0]
            if rng.random() < 0.5 and (error[1] < taken_range[0] or error[0] > taken_range[1]):
                signal.error = [error]
    if form != "flag" and not signal.labels and rng.random() < 0.25:
        ends = sorted([rng.uniform(-top, top) * abs(signal.scale) + signal.offset for _ in range(2)])
        signal.plausible = tuple(ends)
    return signal


def random_message(rng, index):
    length = LENGTHS[index % len(LENGTHS)]
    taken, signals = set(), []
    for number in range(rng.randint(3, 30)):
        signal = random_signal(rng, f"s{number}", length, taken)
        if signal:
            signals.append(signal)
    # A multiplexed layout: a selector in the first byte that is wholly free, and pages that share the bits behind it.
    free = [byte for byte in range(length) if not any((byte, bit) in taken for bit in range(8))]
    if len(free) >= 2 and rng.random() < 0.6:
        selector = Signal("page", "unsigned", "little", rng.randint(1, 3), (free[0], rng.randint(0, 5)))
        signals.append(selector)
        pages = list(range(2**selector.bits))
        rng.shuffle(pages)
        half = len(pages) // 2
        for number, page in enumerate((sorted(pages[:half]), sorted(pages[half:]))):
            byte = free[1]
            for part in range(rng.randint(1, 2)):
                bits = rng.randint(2, 4)
                form = rng.choice(["unsigned", "signed"])
                signal = Signal(f"page{number}_{part}", form, rng.choice(["little", "big"]), bits, (byte, 4 * part))
                signal.when = (selector, page)
                signals.append(signal)
    rng.shuffle(signals)
    return length, signals


def example_of(length, signals):
    """An example that names one signal, by a payload of zeros."""
    zeros = bytes(length)
    for signal in signals:
        value, _ = signal.expected(zeros)
        if value is None:
            continue
        said = f'"{value}"' if isinstance(value, str) else "false" if value is False else repr(value)
        if isinstance(value, str) and 0 not in signal.labels:
            continue
        return ["  [[message.example]]", f'  data = "{zeros.hex(" ")}"', f"  expect = {{ {signal.name} = {said} }}"]
    return None


def same(got, wanted):
    """Whether a value of a table is what is wanted, to the bit."""
    if got is None or wanted is None:
        return got is wanted
    if isinstance(wanted, float):
        return isinstance(got, float) and struct.pack("<d", got) == struct.pack("<d", wanted)
    return type(got) is type(wanted) and got == wanted


def whole_column(signal):
    """Whether whole numbers of this signal fit a column of 64 bits."""
    low, high = (-(2 ** (signal.bits - 1)), 2 ** (signal.bits - 1) - 1) if signal.form == "signed" else (0, 2**signal.bits - 1)
    low, high = low + int(signal.offset), high + int(signal.offset)
    return (low >= -(2**63) and high < 2**63) or (low >= 0 and high < 2**64)


def one_set(tally, rng, folder):
    messages = []
    while len(messages) < MESSAGES:
        length, signals = random_message(rng, len(messages))
        example = example_of(length, signals)
        if example:
            messages.append((f"m{len(messages)}", length, signals, example))
    lines = ["format = 1", "[bus.b]", 'protocol = "plain"', "bitrate = 500_000", "fd_bitrate = 2_000_000"]
    ids = rng.sample(range(0x800), MESSAGES)
    for index, (name, length, signals, example) in enumerate(messages):
        if index % 3 == 0:
            ids[index] = ids[index] << 17 | rng.randrange(1 << 17) | EXTENDED
        key = "extended_id" if ids[index] & EXTENDED else "id"
        lines += ["[[message]]", f'name = "{name}"', 'bus = "b"', f"{key} = {ids[index] & 0x1FFFFFFF:#x}", f"length = {length}"]
        for signal in signals:
            lines += signal.toml()
        lines += example
    defs = folder / "defs"
    defs.mkdir(parents=True)
    (defs / "set.toml").write_text("\n".join(lines) + "\n")

    packets, sent, time_us = [], [[] for _ in messages], T0
    for _ in range(FRAMES):
        for index in rng.sample(range(MESSAGES), MESSAGES):
            _, length, signals, _ = messages[index]
            time_us += rng.randint(1, 400)
            kind, size = ("fd" if length > 8 else "data"), length
            if rng.random() < 0.1:
                # Shorter or longer than its definition, or FD where classical is usual.
                kind = rng.choice(["data", "fd"])
                size = rng.choice([s for s in set(LENGTHS) if s <= (8 if kind == "data" else 64)])
            data = rng.choice([rng.randbytes(size), rng.randbytes(size), bytes(size), b"\xff" * size])
            if size and rng.random() < 0.3:
                # A single bit: what random bytes rarely show.
                data = (1 << rng.randrange(8 * size)).to_bytes(size, "little")
            packets.append((time_us, 0, record(ids[index], data, kind)))
            sent[index].append((time_us, data))
    capture = folder / "in.pcapng"
    capture.write_bytes(pcapng(["b"], packets))
    store = folder / "store"
    yardtap("replay", capture, "--defs", defs, "--store", store, "--vehicle", "1", "--bus", "b", "--json")

    fields = 0
    for (name, _, signals, _), frames in zip(messages, sent):
        tables = [read_file(path) for path in files_of(store, f"signals/message={name}")]
        if not tally.check(f"{name}: files", len(tables), 1):
            continue
        table = tables[0]
        if not tally.check(f"{name}: times", times_us(table["time"]), [time_us for time_us, _ in frames]):
            continue
        words = [set() for _ in frames]
        for signal in signals:
            fields += 1
            column = table[signal.name]
            kind = str(column.type)
            if signal.form in ("unsigned", "signed") and not signal.labels and signal.scale == 1:
                if signal.offset == int(signal.offset):
                    tally.check(f"{name}.{signal.name}: whole numbers in {kind}", "int" in kind, whole_column(signal))
            for row, (got, (_, data)) in enumerate(zip(column.to_pylist(), frames)):
                wanted, word = signal.expected(data)
                if word:
                    words[row].add(f"{signal.name}={word}")
                if same(got, wanted):
                    tally.passed += 1
                else:
                    tally.fail(
                        f"{name}.{signal.name} in {data.hex(' ')}",
                        f"got    {got!r} ({kind})",
                        f"wanted {wanted!r}",
                        " ".join(line.strip() for line in signal.toml()),
                    )
        got = [set((text or "").split()) for text in table["status"].to_pylist()]
        for row, (a, b) in enumerate(zip(got, words)):
            tally.check(f"{name}: status of {frames[row][1].hex(' ')}", sorted(a), sorted(b))
    return fields


def main():
    tally, fields = Tally(), 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(SETS):
            fields += one_set(tally, random.Random(SEED + number), Path(folder) / str(number))
    print(f"{fields} fields")
    tally.true("at least 5000 fields", fields >= 5000)
    tally.end(at_least=100_000)


main()
