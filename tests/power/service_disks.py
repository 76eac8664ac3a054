#!/usr/bin/env python3
"""The service on disks that say no: full, turned read-only, closed to its user. It goes on, says so, and takes up again.

Needs root to mount. What was safe before stays; what comes after there is room again is recorded again; each frame once.
"""

import os
import shutil
import subprocess
import sys
import time

from common import Tally, scratch, since
from disks import Mounted, as_root
from gateway import PROMISE_S, Feeder, Gateway, end_all

NOBODY = 65534
# Until the journal tries again what the disk refused, and then some for a busy machine.
AGAIN_S = 6


def lost_only_between(tally, what, gateway, feeders, spans, until):
    """Frames are there once, and missing only if handed over within `spans` or after `until`."""
    found = gateway.frames()
    if not tally.true(f"{what}: given back", not isinstance(found, str), found if isinstance(found, str) else ""):
        return
    for bus, feeder in feeders.items():
        numbers = [number for _, number in found[bus]]
        have = set(numbers)
        tally.check(f"{what}: {bus}: frames that are there twice", len(numbers) - len(have), 0)
        missing = [at for number, (at, _) in enumerate(feeder.sent) if number not in have and at <= until
                   and not any(first <= at <= last for first, last in spans)]
        tally.true(f"{what}: {bus}: {len(missing)} of {len(feeder.sent)} frames are missing, e.g. {missing[:1]} with {spans}", not missing)


def trouble_told(tally, what, gateway, *words):
    text = gateway.news() + gateway.errors.read_text(errors="replace")
    tally.true(f"{what}: it says so", any(word in text for word in words), text[-800:])


def full_disk(tally, folder):
    what = "full disk"
    with Mounted(folder / "full", "-t", "tmpfs", "-o", "size=100m", "tmpfs") as at:
        gateway = Gateway(folder, at)
        feeders = {bus: Feeder(pipe, bus, 2_500).start() for bus, pipe in gateway.pipes.items()}
        try:
            wrong = gateway.start()
            if not tally.true(f"{what}: {wrong}", wrong is None):
                return
            filler = at / "filler"
            time.sleep(3)
            before = time.time()
            with open(filler, "wb") as file:
                try:
                    while True:
                        os.write(file.fileno(), bytes(4096))
                except OSError:
                    pass
            time.sleep(12)
            tally.true(f"{what}: it lives: {gateway.said()}", gateway.alive())
            trouble_told(tally, what, gateway, "os error 28", "make room", "room")
            filler.unlink()
            room = time.time()
            time.sleep(AGAIN_S + 6)
            for feeder in feeders.values():
                feeder.stop()
            until = time.time() - PROMISE_S
            wrong = gateway.stop() or gateway.recovered()
            tally.true(f"{what}: {wrong}", wrong is None)
            lost_only_between(tally, what, gateway, feeders, [(before - PROMISE_S, room + AGAIN_S)], until)
        finally:
            if gateway.process and gateway.alive():
                gateway.kill()


def turned_read_only(tally, folder):
    """As ext4 does when the medium fails. The service cannot help it; a mount later, all up to then is there."""
    what, image = "turned read-only", folder / "image"
    with open(image, "wb") as file:
        file.truncate(160 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True, capture_output=True)
    gateway, feeders = None, {}
    try:
        with Mounted(folder / "turning", "-o", "loop,errors=remount-ro", image) as at:
            gateway = Gateway(folder, at)
            feeders = {bus: Feeder(pipe, bus, 500).start() for bus, pipe in gateway.pipes.items()}
            wrong = gateway.start()
            if not tally.true(f"{what}: {wrong}", wrong is None):
                return
            time.sleep(12)
            before = time.time()
            as_root("mount", "-o", "remount,abort", at)
            time.sleep(4)
            tally.true(f"{what}: it lives: {gateway.said()}", gateway.alive())
            trouble_told(tally, what, gateway, "os error 30", "os error 5", "read-only")
            for feeder in feeders.values():
                feeder.stop()
            gateway.kill()
        with Mounted(folder / "turning", "-o", "loop", image):
            wrong = gateway.recovered()
            tally.true(f"{what}: {wrong}", wrong is None)
            lost_only_between(tally, what, gateway, feeders, [], before - PROMISE_S)
    finally:
        end_all(gateway, feeders)


def permission_lost(tally, folder):
    what = "permission lost"
    as_nobody = ("setpriv", "--reuid", str(NOBODY), "--regid", str(NOBODY), "--clear-groups")
    root = folder / "owned"
    root.mkdir()
    folder.chmod(0o777)
    os.chown(root, NOBODY, NOBODY)
    program = folder / "yardtap"
    gateway = Gateway(folder, root)
    # Definitions and program may lie where nobody but root may look.
    shutil.copy2(os.environ.get("YARDTAP", ""), program)
    definitions = folder / "velmora"
    source = next(line for line in gateway.config.read_text().splitlines() if line.startswith("definitions")).split('"')[1]
    shutil.copytree(source, definitions)
    gateway.config.write_text(gateway.config.read_text().replace(source, str(definitions)))
    for path in [program, definitions, *definitions.iterdir(), *gateway.pipes.values(), gateway.config]:
        path.chmod(0o777)
    feeders = {bus: Feeder(pipe, bus, 500).start() for bus, pipe in gateway.pipes.items()}
    os.umask(0)
    try:
        wrong = gateway.start(under=as_nobody, program=program)
        if not tally.true(f"{what}: {wrong}", wrong is None):
            return
        time.sleep(3)
        before = time.time()
        closed = [gateway.store / "journal" / "lead", gateway.store / "filed", gateway.store / "incoming", gateway.store]
        modes = [path.stat().st_mode for path in closed]
        for path in closed:
            path.chmod(0)
        # Longer than a segment: one has to be begun.
        time.sleep(12)
        tally.true(f"{what}: it lives: {gateway.said()}", gateway.alive())
        trouble_told(tally, what, gateway, "os error 13", "ermission denied")
        for path, mode in reversed(list(zip(closed, modes))):
            path.chmod(mode)
        again = time.time()
        time.sleep(AGAIN_S + 5)
        for feeder in feeders.values():
            feeder.stop()
        until = time.time() - PROMISE_S
        wrong = gateway.stop() or gateway.recovered()
        tally.true(f"{what}: {wrong}", wrong is None)
        lost_only_between(tally, what, gateway, feeders, [(before - PROMISE_S, again + AGAIN_S)], until)
    finally:
        end_all(gateway, feeders)


def main():
    if os.geteuid() != 0:
        sys.exit("this check needs root to mount file systems and to become another user")
    begun, tally, folder = time.monotonic(), Tally(), scratch("service-disks")
    folder.chmod(0o755)
    try:
        for part in (full_disk, turned_read_only, permission_lost):
            own = folder / part.__name__
            own.mkdir()
            part(tally, own)
        tally.end(at_least=15, told=f"; {since(begun)}")
    finally:
        shutil.rmtree(folder)


main()
