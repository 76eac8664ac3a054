#!/usr/bin/env python3
"""The model of a disk is checked itself: small histories of which anybody can say what a power cut may leave.

Each runs a small program under strace. `always` must be in every state the model gives, `possible` in one at least, and
`impossible` in none. A model that is too kind would let every other check pass.
"""

import shutil
import subprocess
import sys

import trace
from common import Tally, difference, scratch, seeded, tree_of
from disk import Disk

PROGRAM = """
import os, sys
root = sys.argv[1]
def path(name): return os.path.join(root, name)
def put(name, data, sync=False, how=os.O_WRONLY | os.O_CREAT | os.O_TRUNC):
    file = os.open(path(name), how)
    for part in data if isinstance(data, list) else [data]:
        os.write(file, part)
    if sync:
        os.fsync(file)
    os.close(file)
def sync(name="."):
    folder = os.open(path(name), os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)
"""

# What is done; states that every cut after it shows, that some cut shows, and that none shows. A state is a part of the
# tree: bytes, None for a folder, or ... for nothing there.
HISTORIES = {
    "nothing synced": (
        'put("a", b"data")',
        [], [{"a": ...}, {"a": b""}, {"a": b"data"}, {"a": b"da"}, {"a": bytes(4)}], [{"a": b"ta"}]),
    "data synced, name not": (
        'put("a", b"data", True)',
        [], [{"a": ...}, {"a": b"data"}], [{"a": b""}, {"a": b"da"}]),
    "name synced, data not": (
        'put("a", b"data"); sync()',
        [], [{"a": b""}, {"a": b"data"}], [{"a": ...}]),
    "both synced": (
        'put("a", b"data", True); sync()',
        [{"a": b"data"}], [], []),
    "replaced by a rename": (
        'put("a", b"old", True); sync(); put("b", b"new", True); os.rename(path("b"), path("a"))',
        [], [{"a": b"old"}, {"a": b"new", "b": ...}], [{"a": ...}, {"a": b"new", "b": b"new"}]),
    "replaced by a rename, and synced": (
        'put("a", b"old", True); sync(); put("b", b"new", True); os.rename(path("b"), path("a")); sync()',
        [{"a": b"new", "b": ...}], [], []),
    "replaced without syncing the new": (
        'put("a", b"old", True); sync(); put("b", b"new"); os.rename(path("b"), path("a")); sync()',
        [], [{"a": b""}, {"a": b"new"}], [{"a": b"old"}]),
    "renamed into another folder, only that one synced": (
        'os.mkdir(path("x")); os.mkdir(path("y")); sync(); put("x/a", b"1", True); sync("x");'
        ' os.rename(path("x/a"), path("y/a")); sync("y")',
        [{"y/a": b"1"}], [{"x/a": ...}, {"x/a": b"1"}], []),
    "renamed into another folder, only the old one synced": (
        'os.mkdir(path("x")); os.mkdir(path("y")); sync(); put("x/a", b"1", True); sync("x");'
        ' os.rename(path("x/a"), path("y/a")); sync("x")',
        [], [{"x/a": b"1"}, {"y/a": b"1"}], [{"x/a": ..., "y/a": ...}]),
    "a folder whose name is not synced": (
        'os.mkdir(path("x")); put("x/a", b"1", True); sync("x")',
        [], [{"x": ..., "x/a": ...}, {"x/a": b"1"}], [{"x": None, "x/a": ...}]),
    "removed": (
        'put("a", b"1", True); sync(); os.unlink(path("a"))',
        [], [{"a": ...}, {"a": b"1"}], []),
    "removed and synced": (
        'put("a", b"1", True); sync(); os.unlink(path("a")); sync()',
        [{"a": ...}], [], []),
    "appended in two writes": (
        'put("a", b"1", True); sync(); put("a", [b"22", b"33"], how=os.O_WRONLY | os.O_APPEND)',
        [], [{"a": b"1"}, {"a": b"122"}, {"a": b"12"}, {"a": b"12233"}, {"a": b"1" + bytes(2) + b"33"}, {"a": b"1" + bytes(4)}],
        [{"a": b""}, {"a": b"133"}]),
    "cut short": (
        'put("a", b"12345", True); sync(); os.truncate(path("a"), 2)',
        [], [{"a": b"12345"}, {"a": b"12"}], [{"a": b"1"}]),
    "written after the sync": (
        'file = os.open(path("a"), os.O_WRONLY | os.O_CREAT); os.write(file, b"1"); os.fsync(file); sync(); os.write(file, b"2")',
        [], [{"a": b"1"}, {"a": b"12"}], [{"a": b""}]),
}
# The second fsync succeeds, and says nothing of what the first, failed one had to write.
FAILED_SYNC = (
    'file = os.open(path("a"), os.O_WRONLY | os.O_CREAT); os.write(file, b"1"); sync()\n'
    'try: os.fsync(file)\nexcept OSError: os.write(file, b"2"); os.fsync(file)',
    [], [{"a": bytes(1) + b"2"}, {"a": b"12"}], [{"a": b""}, {"a": b"1"}])


def matches(part, tree):
    return all(name not in tree if data is ... else name in tree and tree[name] == data for name, data in part.items())


def one(tally, folder, what, history, *inject):
    program, always, possible, impossible = history
    root, log = folder / "root", folder / "log"
    root.mkdir()
    disk = Disk(root)
    command = [*trace.strace(log, *inject), sys.executable, "-I", "-S", "-c", PROGRAM + program, str(root)]
    run = subprocess.run(command, capture_output=True, text=True)
    tally.check(f"{what}: the program", run.returncode, 0, run.stderr)
    for _ in disk.follow(trace.parse(log)):
        pass
    tally.true(f"{what}: the model and the disk", difference(tree_of(root), disk.live()) is None)
    rng = seeded("model", what)
    states = [disk.least(), disk.live()] + [disk.mixed(rng) for _ in range(400)] + [disk.journalled(rng) for _ in range(100)]
    for part in always:
        tally.true(f"{what}: always {part}", all(matches(part, state) for state in states))
    for part in possible:
        tally.true(f"{what}: possible {part}", any(matches(part, state) for state in states))
    for part in impossible:
        tally.true(f"{what}: impossible {part}", not any(matches(part, state) for state in states))
    shutil.rmtree(root)


def main():
    trace.check_strace()
    tally, folder = Tally(), scratch("model")
    try:
        for what, history in HISTORIES.items():
            one(tally, folder, what, history)
        one(tally, folder, "a sync that failed", FAILED_SYNC, "fsync:error=EIO:when=2")
        tally.end(at_least=70)
    finally:
        shutil.rmtree(folder)


main()
