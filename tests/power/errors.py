#!/usr/bin/env python3
"""Every call of a replay that can fail fails once, or from then on: full disk, quota, medium, read-only, permission.

strace injects the errors. Each time: no panic; the process ends with a message that names the file and what helps, or
did without the call; what was told done before is given back; and replaying once more gives the undisturbed store.
"""

import shutil
import time

import trace
from common import LONG, Tally, difference, in_parallel, scratch, seeded, since, tree_of
from yard import Yard

# Calls, what they may fail with, and the system's words for it.
ERRORS = {
    "write": ["ENOSPC", "EIO", "EDQUOT"],
    "fsync": ["EIO", "ENOSPC"],
    "rename": ["EROFS", "ENOSPC", "EIO"],
    "unlink": ["EROFS", "EACCES", "EIO"],
    "mkdir": ["ENOSPC", "EROFS", "EACCES"],
    "openat": ["EACCES", "EMFILE", "EIO", "ENOSPC"],
    "lseek": ["EIO"],
}
NUMBERS = {"ENOSPC": 28, "EIO": 5, "EDQUOT": 122, "EROFS": 30, "EACCES": 13, "EMFILE": 24}


def one(yard, before, undisturbed, case):
    """(whether the call was met, what is wrong)"""
    name, error, when, on = case
    root = scratch("error")
    log = root.with_suffix(".log")
    try:
        shutil.copytree(before, root, dirs_exist_ok=True)
        run = yard.replay("b.pcapng", root, under=trace.strace(log, f"{name}:error={error}:when={when}{on}"))
        calls = trace.parse(log)
        hit = [call for call in calls if call.injected]
        if not hit:
            return False, None
        if run.panicked or run.status not in (0, 1):
            return True, f"ended badly: {run.told()}"
        # What is printed may not arrive; then nobody can be told.
        mute = [call for call in hit if call.name == "write" and call.words()[0][0] in (1, 2)]
        if run.status == 1 and not mute:
            lines = [line for line in run.err.splitlines() if line.startswith("ERROR ") and "/" in line]
            if not any(f"os error {NUMBERS[error]}" in line and "; " in line for line in lines):
                return True, f"the message does not name file, reason and remedy: {run.err!r}"
        elif any(call.name in ("write", "fsync", "rename", "mkdir") and str(root) in str(call.words()) for call in hit):
            if run.status == 0:
                return True, f"ended well, though {name} failed: {run.told()}"
        again = "a.pcapng"
        if not (root / "store" / "intent.json").exists() and (wrong := yard.given_back(root / "store", again)):
            return True, wrong
        failed = yard.replay_both(root)
        if failed:
            return True, f"replayed after it: {failed.told()}"
        wrong = difference(undisturbed, tree_of(root))
        return True, wrong and f"replayed after it: {wrong}"
    finally:
        shutil.rmtree(root)
        log.unlink(missing_ok=True)


def main():
    trace.check_strace()
    begun, tally, folder, rng = time.monotonic(), Tally(), scratch("errors"), seeded("errors")
    try:
        yard = Yard(folder)
        undisturbed = yard.undisturbed()
        before = folder / "before"
        before.mkdir()
        yard.replay("a.pcapng", before)
        # Which calls of which thread touch the store: those before are the loader's.
        clean = folder / "clean"
        shutil.copytree(before, clean)
        log = folder / "log"
        run = yard.replay("b.pcapng", clean, under=trace.strace(log))
        tally.check("the traced replay", run.status, 0, run.told())
        numbers = trace.ordinals(trace.parse(log), clean)
        cases = []
        for name, errors in ERRORS.items():
            every = [(name, error, when, on) for when in numbers[name] for error in errors for on in ("", "+")]
            cases += every if LONG else rng.sample(every, min(len(every), 6 if name == "lseek" else 22))
        found = in_parallel(cases, lambda case: one(yard, before, undisturbed, case))
        for (name, error, when, on), (_, wrong) in zip(cases, found):
            tally.true(f"{name} number {when}{on} fails with {error}: {wrong}", wrong is None)
        met = sum(met for met, _ in found)
        tally.true(f"only {met} of the errors were met", met >= len(cases) * 3 // 4)
        tally.end(at_least=len(cases), told=f"; {met} errors met, {since(begun)}")
    finally:
        shutil.rmtree(folder)


main()
