#!/usr/bin/env python3
"""An inbox as bad as may be: captures that grow with pauses, hostile names, pipes, links, folders called like captures.

The service is killed twice meanwhile. In the end every frame is in the store once, what is no capture is aside with its
reason, and what is not a plain file is where it was.
"""

import os
import shutil
import stat
import threading
import time

from common import CHANNELS, Tally, capture_of, demo_frames, scratch, seeded, since
from gateway import Gateway

NAMES = [b"line\nbreak.pcapng", b"\x1b[2Jescape.pcapng", b"not\xff\xfetext.pcapng", b"-rf.pcapng", b"--store", b"x" * 255,
         b"'\"$(true)`;&|.pcapng", b" .pcapng", b"*.pcapng", b"\xe2\x80\xaeright-to-left.pcapng", "ü".encode() * 100]
EACH = 300


def grow(path, data, rng):
    """Writes as a vehicle over a bad radio link does: pieces, and pauses longer than a file has to settle."""
    with open(path, "wb", buffering=0) as file:
        at = 0
        while at < len(data):
            step = len(data) // 7 + rng.randrange(1, 5_000)
            file.write(data[at : at + step])
            at += step
            time.sleep(rng.choice([0.05, 0.3, 1.6]))


def main():
    begun, tally, folder, rng = time.monotonic(), Tally(), scratch("inbox"), seeded("inbox")
    try:
        root = folder / "root"
        inbox = root / "inbox"
        (inbox / "night" / "208").mkdir(parents=True)
        frames = demo_frames(207, 0, 12_000)
        growing, others = frames[: 12_000 - EACH * len(NAMES)], frames[12_000 - EACH * len(NAMES) :]
        gateway = Gateway(folder, root, inbox=True)
        wrong = gateway.start()
        tally.true(f"start: {wrong}", wrong is None)
        writer = threading.Thread(target=grow, args=(inbox / "night" / "208" / "growing.pcapng", capture_of(growing), rng))
        writer.start()
        for number, name in enumerate(NAMES):
            part = others[number * EACH : (number + 1) * EACH]
            # Some by a passing name, as rsync does, some written in place.
            path, passing = os.path.join(os.fsencode(inbox), name), os.path.join(os.fsencode(inbox), b".passing-%d" % number)
            with open(passing if number % 2 else path, "wb") as file:
                file.write(capture_of(part))
            if number % 2:
                os.rename(passing, path)
        outside = folder / "outside.pcapng"
        outside.write_bytes(capture_of(demo_frames(211, 0, 50)))
        os.mkfifo(inbox / "pipe.pcapng")
        os.symlink("/dev/zero", inbox / "zero.pcapng")
        os.symlink(outside, inbox / "link.pcapng")
        os.symlink(folder, inbox / "link-to-folder")
        (inbox / "folder.pcapng").mkdir()
        bad = {"empty.pcapng": b"", "text.pcapng": b"no capture\n" * 20, "half.pcapng": capture_of(frames[:5])[:20]}
        for name, data in bad.items():
            (inbox / name).write_bytes(data)
        for _ in range(2):
            time.sleep(rng.random() * 3)
            tally.true(f"it lives: {gateway.said()}", gateway.alive())
            gateway.kill()
            wrong = gateway.start()
            tally.true(f"started again: {wrong}", wrong is None)
        writer.join()
        until = time.monotonic() + 90
        while left(inbox) and time.monotonic() < until:
            time.sleep(0.1)
        tally.check("left in the inbox", left(inbox), [])
        wrong = gateway.stop()
        tally.true(f"end: {wrong}", wrong is None)
        got = gateway.given_back("208")
        wanted = sorted((t, CHANNELS[c], r.rstrip(b"\0")) for t, c, r in frames)
        tally.check("frames", len(got) if isinstance(got, list) else got, len(wanted))
        tally.true("the frames are those", sorted(got) == wanted)
        aside = {path.name: path for path in (root / "quarantine").rglob("*") if path.is_file() and not path.name.endswith(".reason.txt")}
        tally.check("set aside", sorted(aside), sorted(bad))
        for name, data in bad.items():
            if name in aside:
                tally.check(f"{name} aside", aside[name].read_bytes(), data)
                tally.true(f"{name}: a reason", aside[name].with_name(name + ".reason.txt").read_text().strip())
        tally.true("the pipe is there", stat.S_ISFIFO(os.lstat(inbox / "pipe.pcapng").st_mode))
        for name in ("zero.pcapng", "link.pcapng", "link-to-folder"):
            tally.true(f"{name} is there", os.path.islink(inbox / name))
        tally.true("what a link leads to is there", outside.exists())
        tally.true("its vehicle is not in the store", isinstance(gateway.given_back("211"), str))
        tally.true("no control characters in the log", "\x1b[2J" not in gateway.errors.read_text(errors="replace"))
        tally.end(at_least=18, told=f"; {since(begun)}")
    finally:
        shutil.rmtree(folder)


def left(inbox):
    """Plain files of the inbox."""
    return sorted(path.name for path in inbox.rglob("*") if path.is_file() and not path.is_symlink())


main()
