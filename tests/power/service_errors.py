#!/usr/bin/env python3
"""Calls of the running service fail, once or from then on: the medium, a full disk, a quota, a read-only file system.

strace injects the errors. The service does not die; a call that fails once costs no frame; whatever fails, each frame is
there at most once, and a start without errors files all that was safe. A service that cannot even start says why.
"""

import shutil
import time

import trace
from common import LONG, Tally, in_parallel, scratch, seeded, since
from gateway import PROMISE_S, Feeder, Gateway, end_all, what_is_missing

ERRORS = {
    "write": ["ENOSPC", "EIO", "EDQUOT"],
    "fsync": ["EIO", "ENOSPC"],
    "fdatasync": ["EIO", "ENOSPC", "EDQUOT"],
    "rename": ["EROFS", "ENOSPC", "EIO"],
    "unlink": ["EROFS", "EIO"],
    "mkdir": ["ENOSPC", "EROFS"],
    "openat": ["EACCES", "EMFILE", "EIO", "ENOSPC"],
    "ftruncate": ["EIO", "ENOSPC"],
}


def one(case):
    """(calls that failed, whether it started, what is wrong)"""
    name, error, when, on = case
    folder = scratch("injected")
    root = folder / "root"
    root.mkdir()
    gateway, log = Gateway(folder, root), folder / "log"
    # An undisturbed start first: the store is there, and something is filed.
    feeders = {bus: Feeder(pipe, bus, 400).start() for bus, pipe in gateway.pipes.items()}
    try:
        wrong = gateway.start() or time.sleep(1.5) or gateway.stop()
        if wrong:
            return 0, True, f"undisturbed: {wrong}"
        between = time.time()
        started = gateway.start(under=trace.strace(log, f"{name}:error={error}:when={when}{on}")) is None
        if started:
            time.sleep(13)
            if not gateway.alive():
                return 1, True, f"died: {gateway.said()}"
            for feeder in feeders.values():
                feeder.stop()
            stopped = time.time()
            wrong = gateway.stop(gateway.tracee())
            if wrong:
                return 1, True, wrong
        else:
            stopped = between
            if gateway.process.returncode != 1 or "os error" not in gateway.said() or "panicked" in gateway.said():
                return 1, False, f"did not start, and does not say why: {gateway.process.returncode} {gateway.said()}"
            for feeder in feeders.values():
                feeder.stop()
        hit = sum(call.injected for call in trace.parse(log))
        log.unlink()
        wrong = gateway.recovered()
        if wrong:
            return hit, started, f"started again: {wrong}"
        found = gateway.frames()
        if isinstance(found, str):
            return hit, started, found
        for bus, feeder in feeders.items():
            # From then on: what came afterwards may be lost, and counted. What came before is not.
            sent = feeder.sent
            if on or not started:
                sent = [(at if at < between - PROMISE_S else float("inf"), time_us) for at, time_us in sent]
            # Between the two services nobody listens, and what a pipe held then is gone.
            sent = [(float("inf") if between - PROMISE_S < at < between + 4 else at, time_us) for at, time_us in sent]
            wrong = what_is_missing(sent, found[bus], stopped - PROMISE_S)
            if wrong:
                return hit, started, f"{bus}: {wrong}"
        return hit, started, None
    finally:
        end_all(gateway, feeders)
        shutil.rmtree(folder)


def main():
    trace.check_strace()
    begun, tally, rng = time.monotonic(), Tally(), seeded("service-errors")
    cases = []
    for name, errors in ERRORS.items():
        # Early calls are of the start; those of each thread are counted by themselves.
        highest = {"openat": 120, "unlink": 3, "mkdir": 4, "ftruncate": 2, "rename": 30}.get(name, 60)
        every = [(name, error, when, on) for when in range(1, highest + 1) for error in errors for on in ("", "+")]
        cases += every if LONG else rng.sample(every, min(5, len(every)))
    # They mostly wait: more at once than there are cores.
    found = in_parallel(cases, one, at_once=5)
    for (name, error, when, on), (_, _, wrong) in zip(cases, found):
        tally.true(f"{name} number {when}{on} fails with {error}: {wrong}", wrong is None)
    met = sum(hit > 0 for hit, _, _ in found)
    running = sum(hit > 0 and started for hit, started, _ in found)
    tally.true(f"only {met} errors were met, {running} by a running service", met >= len(cases) // 3 and running >= len(cases) // 4)
    tally.end(at_least=len(cases), told=f"; {met} errors met, {running} by a running service, {since(begun)}")


main()
