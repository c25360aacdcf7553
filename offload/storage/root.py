"""All access to a card or a drive goes through one descriptor of its top folder, held for the run.

A path may lead to another card a second later; a descriptor cannot. No link is ever followed:
every folder on the way is opened by itself with ``O_NOFOLLOW``.
"""

import errno
import os
import stat
import threading
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from types import TracebackType
from typing import BinaryIO, Self

from offload.values.paths import join, name, parent

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | os.O_NOFOLLOW
_NOATIME = getattr(os, "O_NOATIME", 0)
_NO_WAITING = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_KEPT_FOLDERS = 64


class Root:
    """A held folder and everything below it. One thread at a time; :meth:`again` gives another.

    Paths are relative bytes as in :mod:`offload.values.paths`; ``b""`` is the top folder.
    """

    def __init__(self, path: bytes, *, keep_times: bool = False) -> None:
        """Open the top folder.

        Args:
            path: where it is now; a link here is the user's own and is followed.
            keep_times: ask the system not to stamp access times (a card); where it refuses,
                reading goes on without.

        Raises:
            OSError: it is not there, not a folder, or not allowed.
        """
        self.path = path
        self._keep_times = keep_times
        self._folders: OrderedDict[bytes, int] = OrderedDict()
        self._is_given_up = threading.Event()
        self.fd = self._open_top(path)
        try:
            self.device = os.fstat(self.fd).st_dev
        except OSError:
            self.close()
            raise

    @property
    def keeps_times(self) -> bool:
        """Whether the system still agrees not to stamp access times below this root."""
        return self._keep_times

    def again(self) -> "Root":
        """Another handle on the same folder, for another thread; to be closed by its owner."""
        self._must_answer()
        twin = object.__new__(Root)
        twin.path = self.path
        twin._keep_times = self._keep_times
        twin._is_given_up = self._is_given_up
        twin.fd = twin._open_folder(b".", self.fd)
        twin.device = self.device
        twin._folders = OrderedDict()
        return twin

    def give_up(self) -> None:
        """Refuse every further call, here and in all handles on this folder, with ``ETIMEDOUT``.

        For a drive that answers nothing any more: what hangs in a call to it may come back hours
        later, and must then do nothing more there.
        """
        self._is_given_up.set()

    @property
    def is_given_up(self) -> bool:
        """Whether nobody waits for this folder any more."""
        return self._is_given_up.is_set()

    def close(self) -> None:
        """Let go of every descriptor; the card can be ejected afterwards."""
        self.forget_folders()
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def forget_folders(self) -> None:
        """Drop the folder handles that are kept for speed, as after a rename."""
        while self._folders:
            os.close(self._folders.popitem()[1])

    def folder(self, path: bytes) -> int:
        """A descriptor of the folder at ``path``, owned by this root: use it, don't keep it.

        Raises:
            OSError: not there, not a folder (``ENOTDIR``), or a link (``ELOOP``/``ENOTDIR``).
        """
        self._must_answer()
        kept = self._kept(path)
        if kept is not None:
            return kept
        # Not by recursion: a hostile card can nest deeper than the interpreter likes to call.
        missing: list[bytes] = []
        above = path
        while (fd := self._kept(above)) is None:
            missing.append(above)
            above = parent(above)
        for folder in reversed(missing):
            fd = self._open_folder(name(folder), fd)
            self._keep(folder, fd)
            self._must_answer()  # it may have come back when nobody waited any more
        return fd

    def names(self, path: bytes) -> list[bytes]:
        """The names in a folder, in the order the system gives them."""
        return [os.fsencode(entry) for entry in os.listdir(self.folder(path))]

    def scan(self, path: bytes) -> list[tuple[bytes, os.stat_result | OSError]]:
        """Name and facts of everything in a folder, links not followed.

        A single entry whose facts cannot be read has the error in place of its facts; an error of
        the listing itself is raised.
        """
        found: list[tuple[bytes, os.stat_result | OSError]] = []
        with os.scandir(self.folder(path)) as listing:
            for entry in listing:
                facts: os.stat_result | OSError
                try:
                    facts = entry.stat(follow_symlinks=False)
                except OSError as error:
                    facts = error
                found.append((os.fsencode(entry.name), facts))
        return found

    def in_order(
        self, folder: bytes, names: Iterable[bytes]
    ) -> Iterator[tuple[bytes, os.stat_result | OSError]]:
        """Facts of names in a folder as :meth:`scan` gives them, one after the other.

        For a folder of a million files, whose facts together are most of a gigabyte.
        """
        for entry in names:
            facts: os.stat_result | OSError
            try:
                facts = os.stat(entry, dir_fd=self.folder(folder), follow_symlinks=False)
            except OSError as error:
                facts = error
            yield entry, facts

    def facts(self, path: bytes) -> os.stat_result:
        """What ``lstat`` says of a path."""
        if not path:
            self._must_answer()
            return os.fstat(self.fd)
        return os.stat(name(path), dir_fd=self.folder(parent(path)), follow_symlinks=False)

    def exists(self, path: bytes) -> bool:
        """Whether something of any kind has this path.

        Raises:
            OSError: the answer could not be had; that is not "no".
        """
        try:
            self.facts(path)
        except (FileNotFoundError, NotADirectoryError):
            return False
        return True

    def link_target(self, path: bytes) -> bytes:
        """What a symbolic link says, as it says it."""
        target = os.readlink(name(path), dir_fd=self.folder(parent(path)))
        return target if isinstance(target, bytes) else os.fsencode(target)

    def open_file(self, path: bytes, flags: int = os.O_RDONLY) -> int:
        """Open a regular file; the caller closes the descriptor.

        Raises:
            OSError: also ``EINVAL`` when it is no regular file, so that no pipe or device is ever
                waited on.
        """
        return self.open_with_facts(path, flags)[0]

    def open_stream(self, path: bytes, buffering: int = -1) -> BinaryIO:
        """A regular file to read from; closing it lets go of the descriptor.

        Args:
            path: below the root.
            buffering: as for ``open``.

        Raises:
            OSError: as :meth:`open_file`; nothing stays open then.
        """
        fd = self.open_file(path)
        try:
            return open(fd, "rb", buffering=buffering)
        except BaseException:
            # It asks for the descriptor's facts, and lets go of nothing when they cannot be had.
            os.close(fd)
            raise

    def open_with_facts(self, path: bytes, flags: int = os.O_RDONLY) -> tuple[int, os.stat_result]:
        """Like :meth:`open_file`, with what ``fstat`` said of the descriptor."""
        fd = self._open(path, flags)
        try:
            facts = os.fstat(fd)
            if not stat.S_ISREG(facts.st_mode):
                raise OSError(errno.EINVAL, "not a regular file")
        except OSError:
            os.close(fd)
            raise
        return fd, facts

    def create_file(self, path: bytes, flags: int) -> int:
        """Make a file under a free name; the caller closes the descriptor.

        What was just made exclusively is a regular file and is not looked at again: on a card of
        many small files every call to the system counts.

        Raises:
            FileExistsError: the name is taken.
            OSError: anything else the system says.
        """
        return self._open(path, flags | os.O_CREAT | os.O_EXCL)

    def _open(self, path: bytes, flags: int) -> int:
        folder, _, entry = path.rpartition(b"/")
        fd = self._open_quietly(entry, flags | _NO_WAITING, self.folder(folder))
        if self.is_given_up:
            os.close(fd)  # it came back when nobody waited any more
            self._must_answer()
        return fd

    def read_small(self, path: bytes, limit_bytes: int) -> bytes:
        """The whole content of a small file of ours.

        Raises:
            OSError: ``EFBIG`` when it is larger than ``limit_bytes``.
        """
        fd = self.open_file(path)
        try:
            parts: list[bytes] = []
            total = 0
            while part := os.read(fd, 1 << 20):
                total += len(part)
                if total > limit_bytes:
                    raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
                parts.append(part)
            return b"".join(parts)
        finally:
            os.close(fd)

    def make_folders(self, path: bytes) -> list[bytes]:
        """Make ``path`` and what is missing above it; the folders made, outermost first."""
        made: list[bytes] = []
        missing: list[bytes] = []
        while path and not self._is_folder(path):
            missing.append(path)
            path = parent(path)
        for folder in reversed(missing):
            try:
                os.mkdir(name(folder), 0o777, dir_fd=self.folder(parent(folder)))
            except FileExistsError:
                # Another run may make the production's folder at the same moment.
                self.folder(folder)
            else:
                made.append(folder)
        return made

    def remove_file(self, path: bytes) -> None:
        """Unlink one file."""
        os.unlink(name(path), dir_fd=self.folder(parent(path)))

    def remove_folder(self, path: bytes) -> None:
        """Remove one empty folder."""
        self._forget(path)
        os.rmdir(name(path), dir_fd=self.folder(parent(path)))

    def _must_answer(self) -> None:
        if self._is_given_up.is_set():
            raise OSError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))

    def _kept(self, path: bytes) -> int | None:
        if not path:
            return self.fd
        fd = self._folders.get(path)
        if fd is not None:
            self._folders.move_to_end(path)
        return fd

    def _keep(self, path: bytes, fd: int) -> None:
        self._folders[path] = fd
        if len(self._folders) > _KEPT_FOLDERS:
            os.close(self._folders.popitem(last=False)[1])

    def _forget(self, path: bytes) -> None:
        below = path + b"/"
        for kept in [k for k in self._folders if k == path or k.startswith(below)]:
            os.close(self._folders.pop(kept))

    def _is_folder(self, path: bytes) -> bool:
        try:
            self.folder(path)
        except FileNotFoundError:
            return False
        return True

    def _open_top(self, path: bytes) -> int:
        flags = _FOLDER & ~os.O_NOFOLLOW
        if self._keep_times:
            try:
                return os.open(path, flags | _NOATIME)
            except PermissionError:
                self._keep_times = False
        return os.open(path, flags)

    def _open_folder(self, entry: bytes, folder: int) -> int:
        if self._keep_times:
            try:
                return os.open(entry, _FOLDER | _NOATIME, dir_fd=folder)
            except PermissionError:
                self._keep_times = False
        return os.open(entry, _FOLDER, dir_fd=folder)

    def _open_quietly(self, entry: bytes, flags: int, folder: int) -> int:
        if self._keep_times:
            try:
                return os.open(entry, flags | _NOATIME, dir_fd=folder)
            except PermissionError:
                # O_NOATIME is for the owner alone (open(2)); a foreign card is read all the same.
                self._keep_times = False
        return os.open(entry, flags, 0o666, dir_fd=folder)


def walk_folders(root: Root, top: bytes = b"") -> list[bytes]:
    """Every folder below ``top``, ``top`` first, parents before children; errors are raised."""
    folders = [top]
    for folder in folders:
        for entry, facts in root.scan(folder):
            if isinstance(facts, OSError):
                raise facts
            if stat.S_ISDIR(facts.st_mode):
                folders.append(join(folder, entry))
    return folders
