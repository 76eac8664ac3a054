#!/usr/bin/env python3
"""The power fails at any moment while the service records and files; it is started again, and what it gives back is all
frames up to a second before the cut, each once.

The service runs under strace with two pipes that are fed without a pause; several segments are finished and filed. Its
inbox has a capture, which is deleted once it is filed, its day long over; and one that is none, which is never lost. At a
sample of the moments at which something changed on disk, what the disk may then hold (`disk.py`) is given to a service.
"""

import shutil
import sys
import time

import trace
from common import CHANNELS, LONG, Tally, capture_of, demo_frames, difference, in_parallel, scratch, seeded, since, tree_of, write_tree
from disk import Disk
from gateway import PROMISE_S, Feeder, Gateway, what_is_missing

INBOX = demo_frames(207, 0, 3_000)
BAD = b"no capture at all"


def recorded(folder):
    """Runs the service under strace for a while: (disk, calls, feeders)"""
    root = folder / "recorded"
    (root / "inbox" / "208").mkdir(parents=True)
    (root / "inbox" / "208" / "good.pcapng").write_bytes(capture_of(INBOX))
    (root / "inbox" / "bad.pcapng").write_bytes(BAD)
    disk, log = Disk(root), folder / "log"
    gateway = Gateway(folder, root, inbox=True)
    feeders = {bus: Feeder(pipe, bus, 300).start() for bus, pipe in gateway.pipes.items()}
    wrong = gateway.start(under=trace.strace(log))
    if wrong:
        sys.exit(f"the service does not start under strace: {wrong}")
    fed = [time.time()]
    time.sleep(90 if LONG else 26)
    fed.append(time.time())
    for feeder in feeders.values():
        feeder.stop()
    time.sleep(1)
    wrong = gateway.stop(gateway.tracee())
    if wrong:
        sys.exit(f"the service does not end under strace: {wrong}")
    return gateway, disk, trace.parse(log), feeders, fed


def feeders_sent_before(feeders, at):
    return any(sent and sent[0][0] <= at for sent in (feeder.sent for feeder in feeders.values()))


def store_has(gateway, vehicle):
    """Whether a record tells of frames of a vehicle; to give back those of one that is not known is an error."""
    texts = [path.read_text() for path in gateway.store.glob("filed/*.json")]
    return any(f'"vehicle": "{vehicle}"' in text for text in texts)


def longest_pause(calls, fed):
    """A machine that is slow lets the whole process wait; so long did no call end while frames came."""
    times = sorted(call.ended_s for call in calls if fed[0] <= call.ended_s <= fed[1])
    return max(later - earlier for earlier, later in zip(times, times[1:]))


def cut_again(folder, number, state, rng, count):
    """States that the power leaves which fails while a state is recovered."""
    what, tree, at = state
    outside = folder / f"again-{number}"
    root = outside / "root"
    root.mkdir(parents=True)
    write_tree(root, tree)
    disk, gateway, log = Disk(root), Gateway(outside, root, inbox=True), outside / "log"
    wrong = (gateway.start(under=trace.strace(log)) or gateway.wait_filed() or gateway.wait_inbox()
             or gateway.stop(gateway.tracee()))
    if wrong:
        sys.exit(f"{what}: not recovered under strace: {wrong}")
    calls = trace.parse(log)
    states = cuts(disk, calls, rng, count, f"{what}; recovered, and cut again ", lambda call: at)
    shutil.rmtree(outside)
    return states


def cuts(disk, calls, rng, count, what, time_of):
    """States after about `count` of the changes that calls make."""
    changes = sum(1 for call in calls if call.name in ("write", "fsync", "fdatasync", "rename", "unlink"))
    share, states = 1 if LONG else min(1.0, count / max(changes, 1)), []
    for call in disk.follow(calls):
        if rng.random() > share:
            continue
        where = f"{what}after {call.name} at line {call.ended + 1}"
        ways = {"certain": disk.least, "all": disk.live, "up to a moment": lambda: disk.journalled(rng), "mixed": lambda: disk.mixed(rng)}
        for way in ways if LONG else rng.sample(sorted(ways), 1):
            states.append((f"{where}: {way}", ways[way](), time_of(call)))
    return states


def recovery(state, feeders, pause):
    """None, or what is wrong after a state's recovery."""
    what, tree, at = state
    outside = scratch("cut")
    try:
        root = outside / "root"
        root.mkdir()
        # The store stands where it was recorded: nothing in it depends on that.
        write_tree(root, tree)
        again = Gateway(outside, root, inbox=True)
        wrong = again.recovered()
        if wrong:
            return f"{what}: {wrong}"
        got = again.given_back("208")
        if sorted(got) != sorted((t, CHANNELS[c], r.rstrip(b"\0")) for t, c, r in INBOX):
            return f"{what}: the inbox's capture is lost in part: {len(got)} frames of {len(INBOX)}, {got!r:.200}"
        aside = [path for path in (root / "quarantine").rglob("*") if path.is_file() and path.read_bytes() == BAD]
        # Twice where the power left it in both folders, as the strictest reading of a rename allows.
        if not aside or not list((root / "quarantine").rglob("*.reason.txt")):
            return f"{what}: what is no capture is not in the quarantine with its reason: {sorted(root.rglob('quarantine/*'))}"
        found = again.frames() if feeders_sent_before(feeders, at - PROMISE_S - pause) or store_has(again, "207") else {}
        if isinstance(found, str):
            return f"{what}: {found}"
        for bus, feeder in feeders.items():
            wrong = what_is_missing(feeder.sent, found.get(bus, []), at - PROMISE_S - pause)
            if wrong:
                return f"{what}: {bus}: {wrong}"
        left = [name for name in tree_of(root / "store") if name.endswith((".writing", ".passing")) or name.startswith("incoming/")
                or name in ("intent.json",)]
        return f"{what}: left over: {left}" if left else None
    finally:
        shutil.rmtree(outside)


def main():
    trace.check_strace()
    begun, tally, folder = time.monotonic(), Tally(), scratch("service")
    try:
        gateway, disk, calls, feeders, fed = recorded(folder)
        # The journal writes ten times a second.
        pause = max(0.0, longest_pause(calls, fed) - 0.2)
        rng = seeded("service")
        states = cuts(disk, calls, rng, 70, "", lambda call: call.ended_s)
        unfinished = [state for state in states if any(name.endswith(".writing") and data for name, data in state[1].items())]
        for number, state in enumerate(rng.sample(unfinished, 12 if LONG else 2)):
            states += cut_again(folder, number, state, rng, 14)
        at_end = time.time()
        for way, tree in (("certain", disk.least()), ("all", disk.live()), ("mixed", disk.mixed(rng))):
            states.append((f"at the end: {way}", tree, at_end))
        wrong = difference(tree_of(folder / "recorded"), disk.live())
        tally.true(f"the model of the disk and the disk: {wrong}", wrong is None)
        sent = {bus: len(feeder.sent) for bus, feeder in feeders.items()}
        tally.true(f"only {sent} frames were sent", min(sent.values()) > 2_000)
        filed = len(list((folder / "recorded").glob("store/filed/*.json")))
        tally.true(f"only {filed} segments were filed", filed >= 3)
        found = in_parallel(states, lambda state: recovery(state, feeders, pause))
        for wrong in found:
            tally.true(wrong or "", wrong is None)
        tally.end(at_least=40, told=f"; {len(states)} states, pause {pause:.2f} s, {since(begun)}")
    finally:
        shutil.rmtree(folder)


main()
