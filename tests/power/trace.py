"""A process under strace: every call that can change files, with its data, in the order in which calls ended.

Goes in: a command. Comes out: a list of `Call`. Calls of several threads overlap: each knows where it began and where
it ended, since an fsync answers only for what was written before it began.
"""

import re
import subprocess
import sys
from dataclasses import dataclass, field

CALLS = [
    "open", "openat", "openat2", "creat", "close", "close_range", "dup", "dup2", "dup3",
    "write", "pwrite64", "writev", "pwritev", "pwritev2", "lseek", "ftruncate", "truncate", "fallocate",
    "copy_file_range", "sendfile", "splice", "fsync", "fdatasync", "sync_file_range", "sync", "syncfs",
    "rename", "renameat", "renameat2", "unlink", "unlinkat", "rmdir", "mkdir", "mkdirat",
    "link", "linkat", "symlink", "symlinkat", "mmap", "chdir", "fchdir", "io_uring_setup",
]
BEGUN = re.compile(r"^(\d+) +([0-9.]+) (.*)$", re.S)
RESUMED = re.compile(r"^<\.\.\. (\w+) resumed>(.*)$", re.S)
NAME = re.compile(r"^(\w+)\(")
RESULT = re.compile(r"^(.*)\) += (-?\d+|\?)(?:<([^>]*)>)?(.*)$", re.S)
ARGUMENT = re.compile(r'\s+|"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?|(-?\w+)<((?:\\x[0-9a-f]{2})*)(?:\(deleted\))?>|[^,"<>\[\]{}]+|[,\[\]{}]')


@dataclass
class Call:
    """One call that has ended."""

    name: str
    arguments: str
    began: int
    ended: int
    began_s: float
    ended_s: float
    result: int | None
    error: str | None
    injected: bool
    thread: str
    # Path of the file descriptor that it gives, if it does.
    gives: str | None = None
    parsed: list = field(default=None, repr=False)

    def place(self):
        """Line of the log where it takes effect: a descriptor may be given anew as soon as its closing has begun."""
        return self.began if self.name == "close" else self.ended

    def words(self):
        """Arguments in order: bytes for strings, (number, path) for file descriptors, lists for arrays, else text."""
        if self.parsed is None:
            self.parsed = words_of(self.arguments)
        return self.parsed


def unhex(text):
    return bytes.fromhex(text.replace("\\x", ""))


def words_of(text):
    out, stack = [], []
    current = out
    for match in ARGUMENT.finditer(text):
        token = match.group(0)
        if match.group(1) is not None or token == '""':
            if match.group(2):
                sys.exit(f"strace cut a string short: {text[:200]}")
            current.append(unhex(match.group(1) or ""))
        elif match.group(3) is not None:
            number = match.group(3)
            current.append((None if number == "AT_FDCWD" else int(number), unhex(match.group(4)).decode(errors="surrogateescape")))
        elif token in "[{":
            inner = []
            current.append(inner)
            stack.append(current)
            current = inner
        elif token in "]}":
            current = stack.pop()
        elif token != "," and not token.isspace():
            word = token.strip()
            # `iov_base=` before a string names it and says nothing.
            if word and not word.endswith("="):
                current.append(word)
    return out


def parse(log):
    """Calls of a strace log."""
    calls, open_calls = [], {}
    with open(log, encoding="ascii", errors="strict") as lines:
        for number, line in enumerate(lines):
            head = BEGUN.match(line.rstrip("\n"))
            if not head:
                sys.exit(f"{log}:{number + 1}: not understood: {line[:200]}")
            thread, at, rest = head.group(1), float(head.group(2)), head.group(3)
            # A thread that ended before strace could look at what it called: it did nothing any more.
            if rest.startswith(("+++", "---", "???(", "<... ??? resumed")):
                continue
            began, began_s = number, at
            resumed = RESUMED.match(rest)
            if resumed:
                if thread not in open_calls:
                    sys.exit(f"{log}:{number + 1}: resumed without having begun: {line[:200]}")
                began, began_s, earlier = open_calls.pop(thread)
                rest = earlier + resumed.group(2)
            if rest.endswith("<unfinished ...>"):
                open_calls[thread] = (began, began_s, rest.removesuffix("<unfinished ...>").rstrip())
                continue
            name, result = NAME.match(rest), RESULT.match(rest)
            if not name or not result:
                sys.exit(f"{log}:{number + 1}: not understood: {rest[:200]}")
            arguments = result.group(1)[name.end() :]
            value, tail = result.group(2), result.group(4)
            error = tail.split()[0] if value == "-1" and tail.split() else None
            gives = unhex(result.group(3)).decode(errors="surrogateescape") if result.group(3) else None
            result = None if value == "?" else int(value)
            calls.append(Call(name.group(1), arguments, began, number, began_s, at, result, error, "(INJECTED)" in tail, thread, gives))
    return sorted(calls, key=Call.place)


def ordinals(calls, below):
    """By name of call: which of a thread's calls of that name touched files below a folder, as strace counts them."""
    counts, found = {}, {}
    for call in sorted(calls, key=lambda call: call.began):
        counts[call.thread, call.name] = count = counts.get((call.thread, call.name), 0) + 1
        for word in call.words():
            path = word[1] if isinstance(word, tuple) else word.decode(errors="replace") if isinstance(word, bytes) else ""
            if path.startswith(str(below)):
                found.setdefault(call.name, set()).add(count)
    return {name: sorted(numbers) for name, numbers in found.items()}


def strace(log, *inject):
    """Words before a command that have it traced into `log`; `inject`: what strace is to inject."""
    words = ["strace", "-f", "-y", "-xx", "-ttt", "-s", "1000000000", "--seccomp-bpf", "-o", str(log)]
    words += ["-e", "signal=none", "-e", "trace=" + ",".join(CALLS)]
    for what in inject:
        words += ["-e", f"inject={what}"]
    return words


def check_strace():
    """Ends with a message where strace cannot trace here."""
    try:
        subprocess.run(["strace", "-f", "--seccomp-bpf", "-o", "/dev/null", "true"], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError) as error:
        sys.exit(f"strace does not work here ({error}); install strace, and allow ptrace")
