"""A small copier that keeps the promise, and can be told to leave a safeguard out.

It is the laboratory's own test piece: with every safeguard it must pass all that the runner tries,
and without any one of them the runner must find it out. It has no resuming, no record and no
speed; it knows nothing of the package.
"""

import errno
import os
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from tests.lab.runner import Answer
from tests.lab.stage import CARD, DRIVES, ROLL, Stage

SAFEGUARDS = (
    "read-back",
    "cache drop",
    "sync",
    "second listing",
    "second card reading",
    "growing name",
)


@dataclass(slots=True)
class Reference:
    """The copier.

    Attributes:
        without: safeguards that are left out.
    """

    without: frozenset[str] = field(default_factory=frozenset)

    def offload(self, stage: Stage, *, card_reads: int) -> Answer:
        """Copy, prove, name; cleared only when nothing went wrong."""
        drives = [stage.root(drive) for drive in DRIVES]
        return self.copy(stage.root(CARD), drives, card_reads=card_reads)

    def copy(self, card: Path, drives: list[Path], *, card_reads: int = 2) -> Answer:
        """The same, for any folders."""
        try:
            listed = self._list(card)
            trouble = []
            for drive in drives:
                try:
                    self._copy(card, drive, listed)
                except OSError as error:
                    trouble.append(f"drive-failed-{errno.errorcode[error.errno or errno.EIO]}")
            trouble += self._prove(card, drives, listed, card_reads)
            if "second listing" not in self.without and self._list(card) != listed:
                trouble.append("changed-on-card")
            if trouble:
                return Answer(False, tuple(sorted(set(trouble))))
            for drive in drives:
                self._name(drive)
        except OSError as error:
            return Answer(False, (errno.errorcode[error.errno or errno.EIO],))
        return Answer(True, says_read_once=card_reads == 1)

    def _list(self, top: Path) -> list[tuple[bytes, int]]:
        """Every file with its size and every folder, in order; errors are raised."""
        found: list[tuple[bytes, int]] = []
        folders = [b""]
        for folder in folders:
            names: list[bytes] = []
            with os.scandir(os.path.join(os.fsencode(top), folder)) as entries:
                for entry in entries:
                    path = os.path.join(folder, entry.name)
                    names.append(entry.name)
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(path)
                        found.append((path + b"/", 0))
                    elif entry.is_file(follow_symlinks=False):
                        found.append((path, entry.stat(follow_symlinks=False).st_size))
            if len(set(names)) != len(names):
                raise OSError(errno.EIO, "a name twice in one list")
        return sorted(found)

    def _grows_in(self, drive: Path) -> Path:
        return drive / (ROLL if "growing name" in self.without else f"{ROLL}.incomplete")

    def _copy(self, card: Path, drive: Path, listed: list[tuple[bytes, int]]) -> None:
        target = self._grows_in(drive)
        if (drive / ROLL).exists() and "growing name" not in self.without:
            return
        shutil.rmtree(target, ignore_errors=True)
        target.mkdir(exist_ok="growing name" in self.without)
        for path, size in listed:
            place = os.path.join(os.fsencode(target), path)
            if path.endswith(b"/"):
                os.mkdir(place)
            else:
                self._copy_file(os.path.join(os.fsencode(card), path), place, size)
        if "sync" not in self.without:
            for folder, _, _ in os.walk(target):
                self._sync(folder)

    def _copy_file(self, source: bytes, target: bytes, size: int) -> None:
        with open(source, "rb", buffering=0) as file:
            data = file.read(size + 1)
            while len(data) < size and (more := file.read(size + 1 - len(data))):
                data += more
        if len(data) != size:
            raise OSError(errno.EIO, "not as long as listed")
        fd = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(fd, view) :]
            if "sync" not in self.without:
                os.fsync(fd)
        finally:
            os.close(fd)

    def _prove(
        self, card: Path, drives: list[Path], listed: list[tuple[bytes, int]], card_reads: int
    ) -> list[str]:
        if "read-back" in self.without:
            return []
        trouble = []
        twice = card_reads == 2 and "second card reading" not in self.without
        for path, size in listed:
            if path.endswith(b"/"):
                continue
            read = [self._read(self._copy_of(drive), path, size) for drive in drives]
            if twice:
                read.append(self._read(card, path, size))
            if None in read or len(set(read)) != 1:
                trouble.append("copy-differs")
        for drive in drives:
            try:
                if self._list(self._copy_of(drive)) != listed:
                    trouble.append("names-differ")
            except OSError:
                trouble.append("names-differ")
        return trouble

    def _copy_of(self, drive: Path) -> Path:
        return drive / ROLL if (drive / ROLL).exists() else self._grows_in(drive)

    def _read(self, top: Path, path: bytes, size: int) -> bytes | None:
        try:
            fd = os.open(os.path.join(os.fsencode(top), path), os.O_RDONLY)
            try:
                if "cache drop" not in self.without:
                    os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
                data = b""
                while more := os.read(fd, size + 1):
                    data += more
                return data
            finally:
                os.close(fd)
        except OSError:
            return None

    def _name(self, drive: Path) -> None:
        if "growing name" in self.without or (drive / ROLL).exists():
            return
        source, target = self._grows_in(drive), drive / ROLL
        os.rename(source, target)
        if "sync" not in self.without:
            self._sync(drive)

    def _sync(self, folder: str | Path) -> None:
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
