#!/usr/bin/env python3
"""The power fails at every moment of a replay; what the disk may then hold is recovered, and nothing is lost or half there.

Two captures that overlap are filed, one process each, and the days closed by the second. strace logs every change of
files with its data; a model of a disk (`disk.py`) gives what a power cut may leave after each of them. From there:

(a) a capture whose filing was told done, by the process's good end, is given back frame for frame, after recovery;
(b) replaying both captures gives the very files of a replay that nothing disturbed: nothing lost, half, doubled or left.

Further histories: a process killed at some call, and another that goes on; then the power cut. The same with a call that
fails. What failed to be synced once must not be taken for certain later.
"""

import bisect
import shutil
import sys
import time

import trace
from common import LONG, Tally, difference, in_parallel, scratch, seeded, since, tree_of, write_tree
from disk import Disk
from yard import Yard

CHANGES = ("openat", "write", "fsync", "rename", "unlink", "mkdir", "ftruncate")


class Histories:
    """States that power cuts leave, without those that were met before."""

    def __init__(self):
        self.met = set()
        self.states = []

    def add(self, what, tree, promised):
        key = hash((tuple(sorted((name, data) for name, data in tree.items() if data is not None)),
                    tuple(sorted(name for name, data in tree.items() if data is None)), tuple(promised)))
        if key not in self.met:
            self.met.add(key)
            self.states.append((what, tree, list(promised)))

    def follow(self, what, disk, calls, promised, rng, mixtures, every=1):
        """Cuts the power after each change, several ways."""
        for number, call in enumerate(disk.follow(calls)):
            if number % every:
                continue
            where = f"{what}, after {call.name} at line {call.ended + 1}"
            self.cut(where, disk, promised, rng, mixtures)

    def cut(self, where, disk, promised, rng, mixtures):
        self.add(f"{where}: only what is certain", disk.least(), promised)
        self.add(f"{where}: all that was done", disk.live(), promised)
        for mixture in range(mixtures):
            self.add(f"{where}: names up to a moment", disk.journalled(rng), promised)
            self.add(f"{where}: mixture {mixture}", disk.mixed(rng), promised)

    def sample(self, count, rng):
        return self.states if LONG or len(self.states) <= count else rng.sample(self.states, count)


def traced(yard, name, root, *inject):
    """A replay under strace: how it ended, and its calls."""
    log = yard.folder / "log"
    run = yard.replay(name, root, under=trace.strace(log, *inject))
    calls = trace.parse(log)
    log.unlink()
    return run, calls


def whole_history(yard, states):
    """The power cut at every change of two undisturbed replays."""
    root = yard.folder / "whole"
    root.mkdir()
    disk, promised = Disk(root), []
    for name in yard.frames:
        run, calls = traced(yard, name, root)
        if run.status != 0:
            sys.exit(f"the traced replay failed: {run.told()}")
        states.follow(f"filing {name}", disk, calls, promised, seeded("whole", name), 4 if LONG else 2)
        promised.append(name)
        disk.restart()
        states.cut(f"after {name}", disk, promised, seeded("after", name), 20)
    wrong = difference(tree_of(root), disk.live())
    if wrong:
        sys.exit(f"the model of the disk and the disk differ: {wrong}")
    return calls


def begun_again(yard, states, what, disk, root, promised, rng):
    """Files both captures over what a disturbed replay has left, cutting the power on the way. Gives a run that failed."""
    disk.restart()
    states.cut(f"{what}, then the power", disk, promised, rng, 1)
    for name in yard.frames:
        run, calls = traced(yard, name, root)
        if run.status != 0 or run.panicked:
            return run
        states.follow(f"{what}, then {name} filed again", disk, calls, promised, rng, 1, 1 if LONG else 12)
        disk.restart()
        promised = promised if name in promised else [*promised, name]
        states.cut(f"{what}, then {name} filed again, at its end", disk, promised, rng, 2)
    return None


def disturbed(yard, states, kind, rng, share):
    """A replay of the second capture is killed at some change, or one of its calls fails; then both are filed again.

    Gives what is wrong in words, none if nothing; or False, where the call that was to fail was not met."""
    root = yard.folder / "disturbed"
    root.mkdir()
    try:
        disk, promised = Disk(root), []
        _, calls = traced(yard, "a.pcapng", root)
        for _ in disk.follow(calls):
            pass
        promised.append("a.pcapng")
        disk.restart()
        if kind == "killed":
            # The very tree that a process leaves that is killed at this change, whatever the system does with it.
            _, calls = traced(yard, "b.pcapng", root)
            changes = [number for number, call in enumerate(calls) if call.name in CHANGES and call.result == 0]
            at = changes[int(share * len(changes))]
            what = f"killed after {calls[at].name} at line {calls[at].ended + 1}"
            for _ in disk.follow(calls[: at + 1]):
                pass
            shutil.rmtree(root)
            write_tree(root, disk.live())
        else:
            call, when = kind
            what = f"{call} {when} fails"
            run, calls = traced(yard, "b.pcapng", root, f"{call}:error=EIO:when={when}")
            if not any(call.injected for call in calls):
                return False
            for _ in disk.follow(calls):
                pass
            if run.status == 0 or run.panicked:
                return f"{what}: {run.told()}"
            if str(root) not in run.err or "os error 5" not in run.err:
                return f"{what}: the message does not say where and why: {run.told()}"
            wrong = difference(tree_of(root), disk.live())
            if wrong:
                sys.exit(f"the model of the disk and the disk differ: {wrong}")
        failed = begun_again(yard, states, what, disk, root, promised, rng)
        return failed and f"{what}, then: {failed.told()}"
    finally:
        shutil.rmtree(root)


def main():
    trace.check_strace()
    begun, tally, folder = time.monotonic(), Tally(), scratch("power")
    try:
        yard = Yard(folder)
        undisturbed = yard.undisturbed()
        states = Histories()
        calls = whole_history(yard, states)
        counts = {name: sum(call.name == name for call in calls) for name in ("write", "fsync", "rename", "unlink", "mkdir")}
        whole = states.sample(120, seeded("sample"))
        rng, again, met = seeded("disturbed"), Histories(), 0
        kinds = ["killed"] * (200 if LONG else 8)
        for name, count in counts.items():
            # strace counts calls by thread; high numbers are met by none.
            numbers = range(1, count + 1)
            kinds += [(name, when) for when in (numbers if LONG else sorted(rng.sample(numbers, min(count, 6))))]
        for kind in kinds:
            wrong = disturbed(yard, again, kind, rng, rng.random())
            if wrong is not False:
                met += 1
                tally.true(wrong or "", wrong is None)
        chosen = whole + again.sample(100, rng)
        found = in_parallel(chosen, lambda state: yard.recovered(undisturbed, state[1], state[2]))
        for (what, _, _), wrong in zip(chosen, found):
            tally.true(f"{what}: {wrong}", wrong is None)
        tally.true(f"only {met} of the disturbances were met", met >= 20)
        told = f"; {met} disturbances, {len(chosen)} of {len(states.states) + len(again.states)} states, {since(begun)}"
        tally.end(at_least=200, told=told)
    finally:
        shutil.rmtree(folder)


main()
