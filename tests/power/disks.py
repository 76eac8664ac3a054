#!/usr/bin/env python3
"""Real file systems that say no: full ones of every small size, one that turns read-only, folders without permission.

Needs root (or sudo without a password) to mount. Each time: no panic; a message that names file, reason and remedy; what
was told done is given back; and once there is room again, replaying gives the undisturbed store.
"""

import os
import shutil
import subprocess
import sys
import time

from common import DEFS, LONG, YARDTAP, Tally, difference, scratch, since, tree_of
from yard import Yard

NOBODY = 65534


def as_root(*words, check=True):
    command = words if os.geteuid() == 0 else ("sudo", "-n", *words)
    run = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    if check and run.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))}: {run.stderr.strip()}; this check needs root to mount file systems")
    return run.returncode == 0


class Mounted:
    """A file system of its own; gone at the end."""

    def __init__(self, at, *options):
        self.at, self.options = at, options

    def __enter__(self):
        self.at.mkdir(exist_ok=True)
        as_root("mount", *self.options, self.at)
        as_root("chown", str(os.geteuid()), self.at)
        return self.at

    def __exit__(self, *_):
        as_root("umount", self.at)


def attempt(yard, root):
    """Files both captures as far as it goes: names told done, and the run that failed."""
    done = []
    for name in yard.frames:
        run = yard.replay(name, root)
        if run.status != 0:
            return done, run
        done.append(name)
    return done, None


def full_disks(tally, yard, undisturbed, folder):
    """A tmpfs, and an ext4 with a filler, of sizes from nothing to enough."""
    needed = sum(-(-len(data) // 4096) * 4096 for data in undisturbed.values() if data)
    steps = 60 if LONG else 14
    failed = 0
    for step in range(1, steps + 1):
        size = 4096 * max(1, needed * step // steps // 4096)
        with Mounted(folder / "full", "-t", "tmpfs", "-o", f"size={size}", "tmpfs") as at:
            failed += on_full_disk(tally, yard, undisturbed, at, f"tmpfs of {size} bytes",
                                   lambda: as_root("mount", "-o", "remount,size=64m", at))
    image = folder / "image"
    with open(image, "wb") as file:
        file.truncate(24 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True, capture_output=True)
    for step in range(1, steps + 1):
        with Mounted(folder / "full", "-o", "loop", image) as at:
            shutil.rmtree(at / "lost+found", ignore_errors=True)
            for old in list(at.iterdir()):
                shutil.rmtree(old)
            disk = os.statvfs(at)
            left = needed * step // steps
            filler = at / "filler"
            with open(filler, "wb") as file:
                os.posix_fallocate(file.fileno(), 0, max(4096, disk.f_bavail * disk.f_frsize - left))
            yard_root = at / "yard"
            yard_root.mkdir()
            failed += on_full_disk(tally, yard, undisturbed, yard_root, f"ext4 with {left} bytes left", filler.unlink)
            shutil.rmtree(yard_root)
    tally.true(f"only {failed} of the disks were too small", failed >= steps // 2)


def on_full_disk(tally, yard, undisturbed, root, what, make_room):
    done, run = attempt(yard, root)
    if run is not None:
        tally.true(f"{what}: how it ended", run.status == 1 and not run.panicked, run.told())
        tally.true(f"{what}: the message", "os error 28" in run.err and "make room" in run.err and str(root) in run.err, run.told())
    make_room()
    for name in done:
        if not (root / "store" / "intent.json").exists():
            wrong = yard.given_back(root / "store", name)
            tally.true(f"{what}: {wrong}", wrong is None)
    again = yard.replay_both(root)
    if tally.true(f"{what}: filed when there was room", again is None, again and again.told()):
        wrong = difference(undisturbed, tree_of(root))
        tally.true(f"{what}: filed when there was room: {wrong}", wrong is None)
    return int(run is not None)


def read_only(tally, yard, undisturbed, folder):
    """The kernel turns the file system read-only, as it does on an error of the medium, in the middle of a replay."""
    image = folder / "image"
    met = 0
    for step in range(24 if LONG else 8):
        subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True, capture_output=True)
        what = f"read-only, {step}"
        with Mounted(folder / "turning", "-o", "loop,errors=remount-ro", image) as at:
            root = at / "yard"
            root.mkdir()
            tally.check(f"{what}: the first", yard.replay("a.pcapng", root).status, 0)
            process = subprocess.Popen([YARDTAP, "replay", yard.captures / "b.pcapng", "--store", root / "store", "--json"],
                                       stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
            time.sleep(0.015 * step)
            # What ext4 does by itself when the medium fails.
            as_root("mount", "-o", "remount,abort", at)
            errors = process.communicate(timeout=60)[1]
            if process.returncode != 0:
                met += 1
                tally.true(f"{what}: how it ended", process.returncode == 1 and "panicked" not in errors, errors[-800:])
                named = str(at) in errors and "; " in errors and ("os error 30" in errors or "os error 5" in errors)
                tally.true(f"{what}: the message", named, errors[-800:])
        with Mounted(folder / "turning", "-o", "loop", image) as at:
            root = at / "yard"
            again = yard.replay_both(root)
            if tally.true(f"{what}: filed when it could be written again", again is None, again and again.told()):
                wrong = difference(undisturbed, tree_of(root))
                tally.true(f"{what}: filed when it could be written again: {wrong}", wrong is None)
    tally.true(f"only {met} replays met the change", met >= 2)


def without_permission(tally, yard, undisturbed, folder):
    """As a user who may not write to a part of the store, and then may."""
    if os.geteuid() != 0:
        sys.exit("this check needs root to become another user")
    root = folder / "owned"
    root.mkdir()
    folder.chmod(0o755)
    tally.check("the first", yard.replay("a.pcapng", root).status, 0)
    program = folder / "yardtap"
    shutil.copy2(YARDTAP, program)
    definitions = folder / "definitions" / DEFS.name
    shutil.copytree(DEFS, definitions)
    config = folder / "yardtap.toml"
    config.write_text((yard.captures / "yardtap.toml").read_text().replace(str(DEFS), str(definitions)))
    for path in [definitions.parent, definitions, *definitions.iterdir(), yard.captures, *yard.captures.iterdir(), program]:
        path.chmod(0o755)
    for path in [root, *root.rglob("*")]:
        os.chown(path, NOBODY, NOBODY)
    closed = ["store", "store/lock", "store/filed", "store/incoming", "store/definitions", "store/store.json",
              "store/signals", "store/runs/month=2026-02"]
    command = [program, "replay", yard.captures / "b.pcapng", "--store", root / "store", "--json", "--config", config]
    for name in closed:
        path = root / name
        before = path.stat().st_mode
        path.chmod(0o555 if name.startswith("store/signals") or name == "store" else 0)
        run = subprocess.run(command, capture_output=True, text=True, user=NOBODY, group=NOBODY, extra_groups=[])
        path.chmod(before)
        if name != "store/signals" and name != "store":
            tally.true(f"{name} closed: how it ended", run.returncode == 1 and "panicked" not in run.stderr, run.stderr)
        if run.returncode != 0:
            named = str(root) in run.stderr and "os error 13" in run.stderr and "let this user" in run.stderr
            tally.true(f"{name} closed: the message", named, run.stderr)
    again = subprocess.run(command, capture_output=True, text=True, user=NOBODY, group=NOBODY, extra_groups=[])
    tally.true("filed when it may be written again", again.returncode == 0, again.stderr)
    wrong = difference(undisturbed, tree_of(root))
    tally.true(f"filed when it may be written again: {wrong}", wrong is None)


def main():
    begun, tally, folder = time.monotonic(), Tally(), scratch("disks")
    try:
        yard = Yard(folder)
        undisturbed = yard.undisturbed()
        full_disks(tally, yard, undisturbed, folder)
        read_only(tally, yard, undisturbed, folder)
        without_permission(tally, yard, undisturbed, folder)
        tally.end(at_least=80, told=f"; {since(begun)}")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
