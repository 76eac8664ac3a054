"""Two captures of one vehicle that overlap, and their filing by two processes."""

import shutil
import sys

from common import CHANNELS, DEFS, capture_of, demo_frames, difference, read_pcapng, scratch, tree_of, write_tree, yardtap

CONFIG = f"""definitions = "{DEFS}"
vehicle = "207"
zone = "Europe/Vienna"
day_starts = "04:00"
[channels]
can0 = "traction"
can1 = "body"
"""


class Yard:
    """Captures, and the two replays that file them."""

    def __init__(self, folder):
        self.folder = folder
        # A run begins in the first, and poles are laid down in the second.
        frames = demo_frames(207, 0, 5_000)
        self.frames = {"a.pcapng": frames[:3_200], "b.pcapng": frames[2_000:]}
        self.captures = folder / "captures"
        self.captures.mkdir()
        for name, part in self.frames.items():
            (self.captures / name).write_bytes(capture_of(part))
        (self.captures / "yardtap.toml").write_text(CONFIG)
        self.wanted = {name: [(t, CHANNELS[c], r.rstrip(b"\0")) for t, c, r in part] for name, part in self.frames.items()}

    def replay(self, name, root, under=()):
        more = ["--leave-open"] if name == "a.pcapng" else []
        return yardtap("replay", self.captures / name, "--store", root / "store", "--json", "--threads", 1, *more, under=under)

    def replay_both(self, root):
        """Both, until the end. Gives the run that failed, if one did."""
        for name in self.frames:
            run = self.replay(name, root)
            if run.status != 0 or run.panicked:
                return run
        return None

    def undisturbed(self):
        root = self.folder / "undisturbed"
        root.mkdir()
        failed = self.replay_both(root)
        if failed:
            sys.exit(f"the replay does not work at all: {failed.told()}")
        return tree_of(root)

    def given_back(self, store, name):
        """What is wrong with a capture as the store gives it back; none: nothing."""
        folder = scratch("again")
        try:
            run = yardtap("restore", "--store", store, "--capture", name, "--to", folder / "again.pcapng")
            if run.status != 0 or run.panicked:
                return f"{name} was told done, and is not given back: {run.told()}"
            if read_pcapng((folder / "again.pcapng").read_bytes()) != self.wanted[name]:
                return f"{name} was told done, and is given back otherwise"
            return None
        finally:
            shutil.rmtree(folder)

    def recovered(self, undisturbed, tree, promised):
        """What is wrong after a tree's recovery; none: nothing."""
        root = scratch("recovered")
        try:
            if promised:
                write_tree(root / "two", tree)
                run = yardtap("close", "--store", root / "two" / "store")
                if run.status != 0 or run.panicked:
                    return f"close after it: {run.told()}"
                for name in promised:
                    wrong = self.given_back(root / "two" / "store", name)
                    if wrong:
                        return wrong
            write_tree(root / "one", tree)
            failed = self.replay_both(root / "one")
            if failed:
                return f"replaying after it: {failed.told()}"
            wrong = difference(undisturbed, tree_of(root / "one"))
            return f"replayed after it: {wrong}" if wrong else None
        finally:
            shutil.rmtree(root)
