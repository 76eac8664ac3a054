"""A model of a disk: what may be found on it when the power fails at a given moment.

Goes in: the calls of a process, in order. Comes out: trees of files, each of which a power cut at that moment may leave.
The rules are POSIX's where it promises anything, and otherwise the worst that journalling file systems do:

- A file's data and length are certain once an fsync of it that began afterwards has succeeded. Until then each write
  may be there, or not, or its first part only, or zeros where it made the file longer; later ones may be there and
  earlier ones not.
- An entry of a folder (creation, removal, rename) is certain once an fsync of that folder has succeeded. Until then it
  may be there or not, but entries under one name happen in their order. A rename happens wholly or not at all, except
  that the old name of a rename between folders may be there too until the old folder is synced.
- An fsync of a file says nothing of its name.
- What an fsync that failed should have made certain, no later fsync makes certain: it has to be written again.
"""

import bisect
import os
import sys
from dataclasses import dataclass, field


@dataclass
class Data:
    """A write, or (bytes None) a change of length."""

    at: int
    offset: int
    data: bytes | None
    certain: bool = False
    lost: bool = False


@dataclass
class Entry:
    """Names that change at once: (folder, name, node or None)."""

    at: int
    effects: list
    certain: bool = False
    # The old name may be there too.
    lingers: bool = False
    needs: list = field(default_factory=list)


class Node:
    def __init__(self, kind, base=b""):
        self.kind = kind
        self.base = base
        self.data = []
        # What the running system sees.
        self.length = len(base)
        self.names = {}


@dataclass
class Handle:
    node: Node
    position: int | None
    appends: bool
    path: str


class Disk:
    """The folder `root`, whose own name is certain, as it is when tracing begins."""

    def __init__(self, root):
        self.root_path = os.path.realpath(root)
        self.root = Node("folder")
        self.base = {}
        self.entries = []
        self.last = {}
        self.handles = {}
        # Calls taken, and how many of them had ended before the present one began.
        self.now = self.began = 0
        # Grows with all that a power cut may make visible.
        self.changes = 0
        self._load(self.root, self.root_path)

    def _load(self, node, path):
        self.base[node] = {}
        for name in os.listdir(path):
            below = os.path.join(path, name)
            if os.path.islink(below):
                child = Node("link", os.readlink(below))
            elif os.path.isdir(below):
                child = Node("folder")
                self._load(child, below)
            elif os.path.isfile(below):
                with open(below, "rb") as file:
                    child = Node("file", file.read())
            else:
                child = Node("other")
            node.names[name] = child
            self.base[node][name] = child

    # --- what the process does -------------------------------------------------------------------------------------

    def restart(self):
        """Another process goes on: none of the handles are open any more."""
        self.handles = {}

    def follow(self, calls):
        """Takes all calls; yields each that changed what a power cut may leave, right after it."""
        # What had ended before an fsync began is what that fsync answers for.
        ends = [call.place() for call in calls]
        earlier = self.now
        for number, call in enumerate(calls):
            self.now = earlier + number + 1
            self.began = earlier + bisect.bisect_left(ends, call.began)
            handler = getattr(self, "do_" + call.name, None)
            if handler is None:
                sys.exit(f"the model knows nothing of {call.name}({call.arguments[:100]})")
            before = self.changes
            handler(call, call.words())
            if self.changes != before:
                yield call

    def below(self, path):
        """Path below the root, or none."""
        path = os.path.normpath(path)
        if path == self.root_path:
            return []
        if not path.startswith(self.root_path + "/"):
            return None
        return path[len(self.root_path) + 1 :].split("/")

    def absolute(self, folder, path):
        path = path.decode(errors="surrogateescape")
        # By way of a folder that is held open.
        if path.startswith("/proc/self/fd/"):
            number, *rest = path.removeprefix("/proc/self/fd/").split("/")
            if handle := self.handles.get(int(number)):
                path = os.path.join(handle.path, *rest)
        return path if path.startswith("/") else os.path.join(folder[1] if folder else os.getcwd(), path)

    def find(self, path):
        """(folder, name, node or None) of a path below the root; none: elsewhere, or its folder is not there."""
        parts = self.below(path)
        if parts is None:
            return None
        node = self.root
        if not parts:
            return (None, "", node)
        for part in parts[:-1]:
            node = node.names.get(part)
            if node is None or node.kind != "folder":
                return None
        return (node, parts[-1], node.names.get(parts[-1]))

    def change(self, *effects, lingers=False):
        self.changes += 1
        entry = Entry(self.now, list(effects), lingers=lingers)
        for folder, name, node in effects:
            earlier = self.last.get((folder, name))
            if earlier is not None:
                entry.needs.append(earlier)
            self.last[(folder, name)] = entry
            if node is None:
                folder.names.pop(name, None)
            else:
                folder.names[name] = node
        self.entries.append(entry)

    def add(self, node, offset, data, length=None):
        self.changes += 1
        if data is None:
            node.data.append(Data(self.now, length, None))
            node.length = length
        else:
            node.data.append(Data(self.now, offset, data))
            node.length = max(node.length, offset + len(data))

    def opened(self, call, path, flags):
        if call.result is None or call.result < 0:
            return
        self.handles.pop(call.result, None)
        found = self.find(path)
        if found is None:
            return
        folder, name, node = found
        if "O_TMPFILE" in flags:
            sys.exit("the model knows nothing of O_TMPFILE")
        fresh = node is None
        if fresh:
            if "O_CREAT" not in flags:
                sys.exit(f"{path} was opened, and the model has it not")
            node = Node("file")
            self.change((folder, name, node))
        if "O_TRUNC" in flags and node.kind == "file" and node.length > 0:
            self.add(node, 0, None, 0)
        certain = "O_RDWR" not in flags or fresh or "O_TRUNC" in flags
        self.handles[call.result] = Handle(node, 0 if certain else None, "O_APPEND" in flags, path)

    def do_openat(self, call, words):
        self.opened(call, self.absolute(words[0], words[1]), words[2])

    def do_open(self, call, words):
        self.opened(call, self.absolute(None, words[0]), words[1])

    def do_creat(self, call, words):
        self.opened(call, self.absolute(None, words[0]), "O_WRONLY|O_CREAT|O_TRUNC")

    def handle(self, word):
        """The open file of a descriptor, if it lies below the root."""
        number, path = word
        handle = self.handles.get(number)
        if handle is None and self.below(path) is not None:
            # A duplicate made by fcntl, which is not traced: it would be most of the log. Its place is not known.
            found = self.find(path)
            if found is None or found[2] is None:
                sys.exit(f"descriptor {number} of {path} is not known to the model")
            handle = Handle(found[2], None, False, path)
        return handle

    def do_close(self, call, words):
        if words and isinstance(words[0], tuple):
            self.handles.pop(words[0][0], None)

    def do_close_range(self, call, words):
        sys.exit("the model knows nothing of close_range")

    def do_dup(self, call, words):
        handle = self.handle(words[0])
        if call.result is not None and call.result >= 0 and handle:
            self.handles[call.result] = handle

    do_dup2 = do_dup3 = do_dup

    def written(self, call, handle, data, offset=None):
        if call.result is None or call.result <= 0 or handle is None or handle.node.kind != "file":
            return
        data = data[: call.result]
        if offset is not None:
            self.add(handle.node, offset, data)
            return
        if handle.appends:
            handle.position = handle.node.length
        if handle.position is None:
            sys.exit(f"{handle.path}: written to where the model does not know")
        self.add(handle.node, handle.position, data)
        handle.position += len(data)

    def do_write(self, call, words):
        self.written(call, self.handle(words[0]), words[1])

    def do_pwrite64(self, call, words):
        self.written(call, self.handle(words[0]), words[1], int(words[3]))

    def do_writev(self, call, words):
        self.written(call, self.handle(words[0]), b"".join(part[0] for part in words[1]))

    def do_pwritev(self, call, words):
        if self.handle(words[0]):
            self.written(call, self.handle(words[0]), b"".join(part[0] for part in words[1]), int(words[3]))

    do_pwritev2 = do_pwritev

    def do_lseek(self, call, words):
        handle = self.handles.get(words[0][0]) if isinstance(words[0], tuple) else None
        if handle and call.result is not None and call.result >= 0:
            handle.position = call.result

    def do_ftruncate(self, call, words):
        handle = self.handle(words[0])
        if handle and call.result == 0:
            self.add(handle.node, 0, None, int(words[1]))

    def do_truncate(self, call, words):
        found = self.find(self.absolute(None, words[0]))
        if found and call.result == 0:
            self.add(found[2], 0, None, int(words[1]))

    def do_fallocate(self, call, words):
        handle = self.handle(words[0])
        if handle and call.result == 0:
            if words[1] != "0":
                sys.exit(f"the model knows nothing of fallocate {words[1]}")
            self.add(handle.node, 0, None, max(handle.node.length, int(words[2]) + int(words[3])))

    def elsewhere_only(self, call, words):
        for word in words:
            if isinstance(word, tuple) and self.below(word[1]) is not None and (call.result or 0) > 0:
                sys.exit(f"the model knows nothing of {call.name} below {self.root_path}")

    do_sendfile = do_splice = elsewhere_only

    def do_copy_file_range(self, call, words):
        into = self.handle(words[2])
        if into is None or call.result is None or call.result <= 0:
            return
        out_of = self.handle(words[0])
        if out_of is None or words[1] != "NULL" or words[3] != "NULL":
            sys.exit("the model knows copy_file_range within the root only")
        data = self.seen(out_of.node)[out_of.position : out_of.position + call.result]
        out_of.position += len(data)
        self.written(call, into, data)

    def do_mmap(self, call, words):
        if "MAP_SHARED" in call.arguments and "PROT_WRITE" in call.arguments:
            self.elsewhere_only(call, words)

    def do_chdir(self, call, words):
        sys.exit("the model knows nothing of chdir")

    do_fchdir = do_io_uring_setup = do_openat2 = do_chdir

    def do_sync_file_range(self, call, words):
        """Promises nothing that survives a power cut."""

    def do_sync(self, call, words):
        sys.exit("the model knows nothing of sync")

    do_syncfs = do_sync

    def do_fsync(self, call, words):
        handle = self.handle(words[0])
        if handle is None or call.result is None:
            return
        self.changes += 1
        node = handle.node
        if call.result != 0:
            for data in node.data:
                data.lost |= not data.certain and data.at <= self.began
            return
        for data in node.data:
            data.certain |= data.at <= self.began and not data.lost
        self.settle(node)
        if node.kind == "folder":
            for entry in self.entries:
                if entry.at > self.began:
                    continue
                links = [folder for folder, _, child in entry.effects if child is not None]
                if node in links or (not links and any(folder is node for folder, _, _ in entry.effects)):
                    self.make_certain(entry)
                elif entry.certain and entry.effects[0][0] is node:
                    entry.lingers = False

    do_fdatasync = do_fsync

    def make_certain(self, entry):
        waiting = [entry]
        while waiting:
            entry = waiting.pop()
            if not entry.certain:
                entry.certain = True
                waiting += entry.needs

    @staticmethod
    def settle(node):
        """Puts what is certain, and has nothing uncertain before it, into the base."""
        done = 0
        for data in node.data:
            if not data.certain:
                break
            node.base = applied(node.base, data)
            done += 1
        del node.data[:done]

    def renamed(self, call, old, new):
        if call.result != 0:
            return
        source, target = self.find(old), self.find(new)
        if source is None and target is None:
            return
        if source is None or target is None:
            sys.exit(f"renamed into or out of the model's folder: {old} to {new}")
        if source[2] is None:
            sys.exit(f"{old} was renamed, and the model has it not")
        across = source[0] is not target[0]
        self.change((source[0], source[1], None), (target[0], target[1], source[2]), lingers=across)

    def do_rename(self, call, words):
        self.renamed(call, self.absolute(None, words[0]), self.absolute(None, words[1]))

    def do_renameat(self, call, words):
        if len(words) > 4 and "EXCHANGE" in words[4]:
            sys.exit("the model knows nothing of exchanging names")
        self.renamed(call, self.absolute(words[0], words[1]), self.absolute(words[2], words[3]))

    do_renameat2 = do_renameat

    def removed(self, call, path):
        found = self.find(path)
        if found and call.result == 0:
            if found[2] is None:
                sys.exit(f"{path} was removed, and the model has it not")
            self.change((found[0], found[1], None))

    def do_unlink(self, call, words):
        self.removed(call, self.absolute(None, words[0]))

    do_rmdir = do_unlink

    def do_unlinkat(self, call, words):
        self.removed(call, self.absolute(words[0], words[1]))

    def made(self, call, path, node):
        found = self.find(path)
        if found and call.result == 0:
            if node.kind == "folder":
                self.base[node] = {}
            self.change((found[0], found[1], node))

    def do_mkdir(self, call, words):
        self.made(call, self.absolute(None, words[0]), Node("folder"))

    def do_mkdirat(self, call, words):
        self.made(call, self.absolute(words[0], words[1]), Node("folder"))

    def do_symlink(self, call, words):
        self.made(call, self.absolute(None, words[1]), Node("link", words[0].decode(errors="surrogateescape")))

    def do_symlinkat(self, call, words):
        self.made(call, self.absolute(words[1], words[2]), Node("link", words[0].decode(errors="surrogateescape")))

    def do_link(self, call, words):
        found = self.find(self.absolute(None, words[0]))
        if found:
            self.made(call, self.absolute(None, words[1]), found[2])

    def do_linkat(self, call, words):
        found = self.find(self.absolute(words[0], words[1]))
        if found:
            self.made(call, self.absolute(words[2], words[3]), found[2])

    # --- what may be found -----------------------------------------------------------------------------------------

    def seen(self, node):
        """A file as the running system sees it."""
        content = node.base
        for data in node.data:
            content = applied(content, data)
        return content

    def live(self):
        """The tree as the running system sees it."""
        return self.walked(lambda folder: folder.names, self.seen)

    def least(self):
        """Only what is certain."""
        return self.cut(lambda entry: entry.certain, lambda entry: False, lambda node: self.kept(node, lambda data: False))

    def journalled(self, rng):
        """As a journal that takes entries in order: all up to some moment, none after; of data only what is certain."""
        uncertain = [entry.at for entry in self.entries if not entry.certain]
        until = rng.choice([*uncertain, self.now])
        return self.cut(lambda entry: entry.at <= until, lambda entry: False, lambda node: self.kept(node, lambda data: False, rng))

    def mixed(self, rng):
        """Anything that the rules allow."""
        share = rng.choice([0.1, 0.5, 0.9])
        return self.cut(lambda entry: rng.random() < share, lambda entry: rng.random() < 0.5, lambda node: self.torn(node, rng))

    def cut(self, keeps, lingers, content):
        folders = {node: dict(names) for node, names in self.base.items()}
        kept = set()
        for entry in self.entries:
            chosen = entry.certain or keeps(entry)
            if not chosen or any(id(earlier) not in kept for earlier in entry.needs):
                continue
            kept.add(id(entry))
            for index, (folder, name, node) in enumerate(entry.effects):
                if entry.lingers and index == 0 and lingers(entry):
                    continue
                if node is None:
                    folders[folder].pop(name, None)
                else:
                    folders[folder][name] = node
        return self.walked(lambda folder: folders[folder], content)

    def kept(self, node, keeps, rng=None):
        """Certain data, and of the rest what `keeps`; lengths of what is not kept may be there as zeros."""
        content = node.base
        zeros = rng is not None and rng.random() < 0.3
        for data in node.data:
            if data.certain or keeps(data):
                content = applied(content, data)
            elif zeros and data.data is not None:
                content = content.ljust(data.offset + len(data.data), b"\0")
        return content

    def torn(self, node, rng):
        open_ones = [data for data in node.data if not data.certain]
        if not open_ones:
            return self.seen(node)
        way = rng.choice(["none", "all", "first", "any"])
        if way == "all":
            return self.seen(node)
        if way == "none":
            return self.kept(node, lambda data: False, rng)
        if way == "any":
            return self.kept(node, lambda data: rng.random() < 0.5, rng)
        until = rng.choice(open_ones)
        content = node.base
        for data in node.data:
            if data.certain or data.at < until.at:
                content = applied(content, data)
            elif data is until and data.data:
                part = data.data[: rng.randrange(len(data.data) + 1)]
                content = applied(content, Data(data.at, data.offset, part))
        return content

    def walked(self, names, content):
        tree = {}
        waiting = [("", self.root)]
        while waiting:
            path, folder = waiting.pop()
            for name, node in names(folder).items():
                below = f"{path}/{name}" if path else name
                if node.kind == "folder":
                    tree[below] = None
                    waiting.append((below, node))
                elif node.kind == "file":
                    tree[below] = content(node)
        return tree


def applied(content, data):
    if data.data is None:
        return content[: data.offset].ljust(data.offset, b"\0")
    content = content.ljust(data.offset, b"\0")
    return content[: data.offset] + data.data + content[data.offset + len(data.data) :]
