#!/usr/bin/env python3
"""The service is killed at random instants, again and again, while frames come; it is started anew each time.

In the end every frame that had been handed over a second before a kill is there, once; nothing is left over.
"""

import shutil
import time

from common import LONG, Tally, in_parallel, scratch, seeded, since, tree_of
from gateway import PROMISE_S, Feeder, Gateway, end_all


def one(yard):
    """A store with its kills: (kills, what is wrong)"""
    rng, folder, kills = seeded("service-kill", yard), scratch("killed"), []
    root = folder / "root"
    root.mkdir()
    gateway = Gateway(folder, root)
    feeders = {bus: Feeder(pipe, bus, rng.choice([100, 2_000, 6_000])).start() for bus, pipe in gateway.pipes.items()}
    try:
        for _ in range(100 if LONG else 14):
            wrong = gateway.start()
            if wrong:
                return kills, f"after {len(kills)} kills: {wrong}"
            # Often soon after the start, while it files what the kill before has left.
            time.sleep(rng.random() ** 2 * 4)
            if not gateway.alive():
                return kills, f"ended by itself: {gateway.said()}"
            gateway.kill()
            kills.append(time.time())
        for feeder in feeders.values():
            feeder.stop()
        wrong = gateway.recovered()
        if wrong:
            return kills, wrong
        found = gateway.frames()
        if isinstance(found, str):
            return kills, found
        for bus, feeder in feeders.items():
            numbers = [number for _, number in found[bus]]
            if len(set(numbers)) != len(numbers):
                return kills, f"{bus}: {len(numbers) - len(set(numbers))} frames are there twice"
            have = set(numbers)
            for number, (at, time_us) in enumerate(feeder.sent):
                if number in have or at == float("inf"):
                    continue
                # Handed over within the last second before a kill, or into the pipe of a process that was dead.
                if not any(kill - PROMISE_S < at < kill + 0.3 for kill in kills):
                    nearest = min(kills, key=lambda kill: abs(kill - at))
                    return kills, f"{bus}: frame {number} is missing, handed over {nearest - at:.3f} s before a kill"
        left = [name for name in tree_of(gateway.store) if name.endswith((".writing", ".passing")) or name.startswith("incoming/")]
        return kills, f"left over: {left}" if left else None
    finally:
        end_all(gateway, feeders)
        shutil.rmtree(folder)


def main():
    begun, tally = time.monotonic(), Tally()
    yards = range(40 if LONG else 8)
    found = in_parallel(yards, one)
    for yard, (_, wrong) in zip(yards, found):
        tally.true(f"store {yard}: {wrong}", wrong is None)
    kills = sum(len(kills) for kills, _ in found)
    tally.true(f"only {kills} kills", kills >= 100)
    tally.end(at_least=len(yards), told=f"; {kills} kills, {since(begun)}")


main()
