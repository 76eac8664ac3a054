#!/usr/bin/env python3
"""A replay killed at random instants, once or several times in a row, and begun again gives the undisturbed store.

Nothing slows the process down here: instants fall where a real kill would. Between two kills, whatever was told done is
given back.
"""

import os
import shutil
import subprocess
import time

from common import LONG, YARDTAP, Tally, difference, in_parallel, scratch, seeded, since, tree_of
from yard import Yard


def killed(yard, root, name, seconds):
    """Starts a replay and kills it after so long. Gives 'killed', 'done' or what went wrong."""
    more = ["--leave-open"] if name == "a.pcapng" else []
    command = [YARDTAP, "replay", yard.captures / name, "--store", root / "store", "--threads", "2", *more]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={**os.environ, "TZ": "UTC"})
    try:
        _, errors = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        return "killed"
    return "done" if process.returncode == 0 else f"status {process.returncode}: {errors[-600:]}"


def one(yard, undisturbed, length, seed):
    """(kills that met the process, what is wrong)"""
    rng, root, hits = seeded("kill", seed), scratch("kill"), 0
    try:
        for _ in range(rng.choice([1, 1, 2, 4])):
            for name in yard.frames:
                ended = killed(yard, root, name, rng.random() * length * 1.1)
                if ended not in ("killed", "done"):
                    return hits, ended
                if ended == "killed":
                    hits += 1
                    break
                if (wrong := yard.given_back(root / "store", name)) and not (root / "store" / "intent.json").exists():
                    return hits, wrong
        failed = yard.replay_both(root)
        if failed:
            return hits, f"replayed after it: {failed.told()}"
        wrong = difference(undisturbed, tree_of(root))
        return hits, wrong and f"replayed after it: {wrong}"
    finally:
        shutil.rmtree(root)


def main():
    begun, tally, folder = time.monotonic(), Tally(), scratch("kills")
    try:
        yard = Yard(folder)
        undisturbed = yard.undisturbed()
        (folder / "timed").mkdir()
        measured = time.monotonic()
        yard.replay_both(folder / "timed")
        length = (time.monotonic() - measured) / 2
        seeds = range(2_000 if LONG else 200)
        found = in_parallel(seeds, lambda seed: one(yard, undisturbed, length, seed))
        for seed, (_, wrong) in zip(seeds, found):
            tally.true(f"seed {seed}: {wrong}", wrong is None)
        hits = sum(hits for hits, _ in found)
        tally.true(f"only {hits} kills met a running process", hits >= len(seeds) // 2)
        tally.end(at_least=len(seeds), told=f"; {hits} kills, {since(begun)}")
    finally:
        shutil.rmtree(folder)


main()
