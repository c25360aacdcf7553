"""What the faulty file system is to do wrong: faults that strike an operation, quirks that stay.

Plain data, sent as JSON to the process that serves the file system. A :class:`Fault` strikes the
operation number ``nth`` of those that match it, and the next ``count - 1`` of them. A
:class:`Quirks` describes a drive or driver that is so all the time.
"""

import errno
import re
import threading
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

WRITING = frozenset(
    {
        "write",
        "create",
        "open-writing",
        "truncate",
        "utimens",
        "chmod",
        "chown",
        "mkdir",
        "mknod",
        "rmdir",
        "unlink",
        "rename",
        "link",
        "symlink",
    }
)
"""Operations that change something, or are asked to let something be changed."""

READING = frozenset(
    {"getattr", "readdir", "opendir", "open", "read", "readlink", "statfs", "access"}
)
SYNCING = frozenset({"flush", "fsync", "fsyncdir", "release", "releasedir"})
OPERATIONS = WRITING | READING | SYNCING

GROUPS: dict[str, frozenset[str]] = {
    "any": OPERATIONS,
    "writing": WRITING,
    "reading": READING,
    "metadata": frozenset({"utimens", "chmod", "chown"}),
    "opening": frozenset({"open", "open-writing", "create"}),
    "syncing": frozenset({"fsync", "fsyncdir"}),
}

EFFECTS = {
    "errno": "the operation fails with `errno` and has done nothing",
    "errno_after": "the operation is done, and then said to have failed with `errno`",
    "hang": "the operation waits until it is released, then goes on or fails as released",
    "kill": "the process `victim` is killed (SIGKILL) before the operation is done; then EIO",
    "kill_after": "the operation is done, then the process `victim` is killed",
    "flip_in": "write: one bit arrives flipped; success is reported",
    "flip_out": "read: one bit is handed out flipped; what is stored is right",
    "zero_out": "read: zeros are handed out instead of the last `length` bytes",
    "stale": "read: what was there before the last write is handed out",
    "short": "read: only half is handed out; write: only half is taken, and that is said",
    "drop": "write: nothing is stored; success is reported, the size is right",
    "torn": "write: only the first half is stored; success is reported, the size is right",
    "swap": "write: two blocks of 4096 bytes change places",
    "cut": "flush (close): the file loses its last `length` bytes",
    "leave_out": "readdir: one entry is not in the list (`name`, else the last)",
    "double": "readdir: one entry is in the list twice (`name`, else the last)",
    "lose": "after the operation the entry `name` of the root is not found any more",
    "forget": "after the operation the entry `name`, and all below it, is gone from the medium",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        op: the operation, or a group of them (:data:`GROUPS`).
        effect: what happens, one of :data:`EFFECTS`.
        nth: the first operation struck, from 1, among those that match.
        count: how many are struck; 0 means all from there on, for good.
        path: a regular expression for the whole path relative to the root (the root is empty);
            bytes that are not UTF-8 appear as surrogates.
        errno: name of the error.
        at: byte offset that a read or write must cover to match, and where a bit is flipped; -1
            matches any and flips in the middle.
        length: bytes concerned by ``cut`` and ``zero_out``.
        mask: bits flipped.
        name: the entry concerned in a listing; for ``lose`` and ``forget`` a path relative to the
            root.
        victim: process number for ``kill``.
    """

    op: str
    effect: str = "errno"
    nth: int = 1
    count: int = 1
    path: str = ".*"
    errno: str = "EIO"
    at: int = -1
    length: int = 4096
    mask: int = 1
    name: str = ""
    victim: int = 0

    def __post_init__(self) -> None:
        if self.op not in OPERATIONS and self.op not in GROUPS:
            raise ValueError(f"no operation is called {self.op!r}")
        if self.effect not in EFFECTS:
            raise ValueError(f"no effect is called {self.effect!r}")
        if not hasattr(errno, self.errno):
            raise ValueError(f"no error is called {self.errno!r}")
        if self.effect in ("kill", "kill_after") and self.victim <= 1:
            raise ValueError("to kill, a process has to be named")

    @property
    def number(self) -> int:
        """The error's number."""
        return int(getattr(errno, self.errno))

    def covers(self, op: str, path: str, offset: int, size: int) -> bool:
        """Whether an operation is one of those that this fault counts."""
        if op != self.op and op not in GROUPS.get(self.op, ()):
            return False
        if self.at >= 0 and op in ("read", "write") and not offset <= self.at < offset + size:
            return False
        return re.fullmatch(self.path, path, re.DOTALL) is not None


@dataclass(frozen=True, slots=True)
class Quirks:
    """How a drive or its driver is, all the time.

    Attributes:
        fold_case: names that differ in case only are one; the first form is kept.
        lower_listing: listings show names in lower case.
        form: ``NFC`` or ``NFD``: names are stored in this form, and found under both.
        strip_dots: trailing dots and blanks are not stored.
        time_grain_ns: modification times are rounded down to this.
        largest_bytes: longest file; beyond it EFBIG (4 GiB - 1 on FAT32).
        capacity_bytes: room in all, told truly and kept to the byte; 0 for the real disk's.
        told_free_bytes: free room that is told, whatever is true; -1 tells the truth.
        real_bytes: where the medium really ends; 0 for never.
        past_end: what is written past ``real_bytes``: ``drop`` or ``wrap`` (to the beginning).
        rename_flags: exclusive rename is ``kept``, ``refused`` (EINVAL) or ``ignored`` (replaces).
        is_read_only: every change is EROFS.
        block_device: node to read from whenever file bytes are read, so that its counter grows.
    """

    fold_case: bool = False
    lower_listing: bool = False
    form: str = ""
    strip_dots: bool = False
    time_grain_ns: int = 1
    largest_bytes: int = 0
    capacity_bytes: int = 0
    told_free_bytes: int = -1
    real_bytes: int = 0
    past_end: str = "drop"
    rename_flags: str = "kept"
    is_read_only: bool = False
    block_device: str = ""


@dataclass(frozen=True, slots=True)
class Call:
    """One operation that reached the file system.

    Attributes:
        number: in order of arrival, from 1 since the plan was set.
        op: its name.
        path: relative to the root; of a rename both, with ``-> ``.
        offset: of a read or write, or the new length of a truncation.
        size: of a read or write.
        effect: what was done wrong; empty where nothing was.
    """

    number: int
    op: str
    path: str
    offset: int = 0
    size: int = 0
    effect: str = ""

    @property
    def is_writing(self) -> bool:
        """Whether it would have changed something."""
        return self.op in WRITING


class Plan:
    """Faults with their counters, and the log of calls. Safe for several threads."""

    def __init__(self, faults: Iterable[Fault] = (), *, keep: int = 200_000) -> None:
        self._faults = list(faults)
        self._hits = [0] * len(self._faults)
        self._struck = 0
        self._calls: list[tuple[int, str, str, int, int, str]] = []  # as in Call
        self._count = 0
        self._counts: dict[str, int] = {}
        self._keep = keep
        self._lock = threading.Lock()

    def meet(self, op: str, path: str, offset: int = 0, size: int = 0) -> list[Fault]:
        """Count and log one operation; the faults that strike it."""
        with self._lock:
            struck: list[Fault] = []
            if self._faults:
                struck = [
                    fault
                    for at, fault in enumerate(self._faults)
                    if fault.covers(op, path, offset, size) and self._strikes(at, fault)
                ]
            self._count += 1
            self._counts[op] = self._counts.get(op, 0) + 1
            effect = ""
            if struck:
                self._struck += 1
                effect = "+".join(_told(fault) for fault in struck)
            if self._count <= self._keep:
                self._calls.append((self._count, op, path, offset, size, effect))
            return struck

    def has_effect(self, effect: str) -> bool:
        """Whether any fault of the plan has this effect."""
        return any(fault.effect == effect for fault in self._faults)

    def report(self, ops: Collection[str] | None = None) -> dict[str, Any]:
        """Calls, counts by operation, number of operations struck; for JSON.

        Args:
            ops: only the calls of these operations are told; of all where None.
        """
        with self._lock:
            calls = self._calls
            if ops is not None:
                calls = [call for call in calls if call[1] in ops]
            return {
                "calls": list(calls),
                "counts": dict(self._counts),
                "struck": self._struck,
            }

    def _strikes(self, at: int, fault: Fault) -> bool:
        self._hits[at] += 1
        hits = self._hits[at]
        return hits >= fault.nth and (not fault.count or hits < fault.nth + fault.count)


def _told(fault: Fault) -> str:
    return fault.errno if fault.effect == "errno" else fault.effect
