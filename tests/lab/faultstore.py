"""Where the faulty file system keeps bytes: the backing folder, through one root descriptor.

Also the two things a medium may do with bytes behind the file system's back: end earlier than it
says, and be counted as read.
"""

import ctypes
import errno
import itertools
import mmap
import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from tests.lab.faultplan import Quirks

BLOCK = 4096
_LONGEST = 3500
_RENAME_NOREPLACE = 1
_libc = ctypes.CDLL(None, use_errno=True)


class Store:
    """The backing folder.

    Args:
        root: the folder.
        quirks: how the medium is.
    """

    def __init__(self, root: bytes, quirks: Quirks) -> None:
        self.quirks = quirks
        self.fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        self._lock = threading.RLock()
        self._used = 0
        self._place: dict[tuple[int, int], int] = {}
        self._owners: dict[int, list[tuple[int, int]]] = {}
        self._kept_fds: dict[int, int] = {}
        self._next = itertools.count()
        self._device = _Device(quirks.block_device) if quirks.block_device else None
        if quirks.capacity_bytes:
            self._used = sum(self._sizes())

    def become(self, quirks: Quirks) -> None:
        """Other limits from now on, counted from what lies there; the device stays."""
        with self._lock:
            self.quirks = quirks
            self._used = sum(self._sizes()) if quirks.capacity_bytes else 0
            for fd in self._kept_fds.values():
                os.close(fd)
            for kept in (self._kept_fds, self._place, self._owners):
                kept.clear()
            self._next = itertools.count()

    def forget(self, path: bytes) -> None:
        """Lose an entry with all below it, as a folder block that never reached the medium."""
        with self.at(path) as (folder, name):
            try:
                os.unlink(name, dir_fd=folder)
            except IsADirectoryError:
                shutil.rmtree(name, dir_fd=folder)
            except FileNotFoundError:
                pass

    @contextmanager
    def at(self, path: bytes) -> Iterator[tuple[int, bytes]]:
        """A folder descriptor and a name that reach ``path``, however long it is."""
        if len(path) < _LONGEST:
            yield self.fd, path or b"."
            return
        here = os.dup(self.fd)
        try:
            *folders, name = path.split(b"/")
            for part in folders:
                below = os.open(part, os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=here)
                os.close(here)
                here = below
            yield here, name
        finally:
            os.close(here)

    def names(self, path: bytes) -> list[bytes]:
        """The names in a folder, in the order of the disk."""
        return [name for name, _, _ in self.entries(path)]

    def entries(self, path: bytes) -> list[tuple[bytes, int, int]]:
        """Name, mode and inode number of each entry of a folder."""
        with self.at(path) as (folder, name):
            flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
            fd = os.open(name, flags, dir_fd=folder)
        try:
            found = []
            for entry in os.listdir(fd):
                raw = os.fsencode(entry)
                facts = os.stat(raw, dir_fd=fd, follow_symlinks=False)
                found.append((raw, facts.st_mode, facts.st_ino))
            return found
        finally:
            os.close(fd)

    def read(self, fd: int, size: int, offset: int) -> bytes:
        """Bytes of a file; the block device below is read as well, where there is one."""
        data = os.pread(fd, size, offset)
        if self._device and data:
            self._device.read(len(data))
        return data

    def write(self, fd: int, data: bytes, offset: int) -> int:
        """Store bytes; how many were taken.

        Raises:
            OSError: EFBIG or ENOSPC as the medium's limits say, else as the system says.
        """
        data = self._within_limits(fd, data, offset)
        if self.quirks.real_bytes:
            return self._write_on_medium(fd, data, offset)
        return _write_all(fd, data, offset)

    def grow(self, fd: int, size: int) -> None:
        """Make a file at least ``size`` bytes long, as a driver does that lost the bytes."""
        with self._lock:
            if os.fstat(fd).st_size < size:
                os.ftruncate(fd, size)

    def resize(self, fd: int, size: int) -> None:
        """Set a file's length."""
        if self.quirks.largest_bytes and size > self.quirks.largest_bytes:
            raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
        with self._lock:
            grown = size - os.fstat(fd).st_size
            self._take_room(grown)
            os.ftruncate(fd, size)

    def removed(self, facts: os.stat_result) -> None:
        """Note that a file has gone: its room is free again."""
        with self._lock:
            if facts.st_nlink <= 1:
                self._used -= facts.st_size

    def rename(self, old: bytes, new: bytes, flags: int) -> None:
        """Rename with the flags of renameat2(2), as far as this driver keeps them.

        Raises:
            OSError: EINVAL where it refuses flags, EEXIST where the name is taken.
        """
        if flags and self.quirks.rename_flags == "refused":
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        kept = flags if self.quirks.rename_flags == "kept" else 0
        with self.at(old) as (from_fd, source), self.at(new) as (to_fd, target):
            if not kept:
                os.rename(source, target, src_dir_fd=from_fd, dst_dir_fd=to_fd)
            elif _libc.renameat2(from_fd, source, to_fd, target, ctypes.c_uint(kept)) != 0:
                number = ctypes.get_errno()
                raise OSError(number, os.strerror(number))

    def room(self) -> dict[str, int]:
        """What statfs tells."""
        facts = os.fstatvfs(self.fd)
        told = {
            name: getattr(facts, name)
            for name in ("f_bsize", "f_frsize", "f_blocks", "f_bfree", "f_bavail", "f_files")
        }
        told |= {"f_ffree": facts.f_ffree, "f_favail": facts.f_favail, "f_namemax": 255}
        quirks = self.quirks
        if quirks.capacity_bytes or quirks.told_free_bytes >= 0:
            free = quirks.told_free_bytes
            if free < 0:
                free = max(0, quirks.capacity_bytes - self._used)
            # In single bytes, so that a drive can be full to the byte.
            told |= {"f_bsize": BLOCK, "f_frsize": 1, "f_bfree": free, "f_bavail": free}
            told["f_blocks"] = quirks.capacity_bytes or free
        return told

    def close(self) -> None:
        """Give every descriptor back."""
        for fd in self._kept_fds.values():
            os.close(fd)
        os.close(self.fd)

    def _within_limits(self, fd: int, data: bytes, offset: int) -> bytes:
        largest = self.quirks.largest_bytes
        if largest and offset + len(data) > largest:
            if offset >= largest:
                raise OSError(errno.EFBIG, os.strerror(errno.EFBIG))
            data = data[: largest - offset]
        if not self.quirks.capacity_bytes:
            return data
        with self._lock:
            old = os.fstat(fd).st_size
            room = self.quirks.capacity_bytes - self._used
            fitting = max(0, min(len(data), old + room - offset))
            if not fitting and data:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            self._used += max(0, offset + fitting - old)
            return data[:fitting]

    def _take_room(self, grown: int) -> None:
        if not self.quirks.capacity_bytes:
            return
        if self._used + grown > self.quirks.capacity_bytes:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self._used += grown

    def _write_on_medium(self, fd: int, data: bytes, offset: int) -> int:
        """Write block by block to places that are given out in order and end too early."""
        with self._lock:
            self.grow(fd, offset + len(data))
            inode = os.fstat(fd).st_ino
            if inode not in self._kept_fds:
                self._kept_fds[inode] = os.dup(fd)
            done = 0
            while done < len(data):
                number, start = divmod(offset + done, BLOCK)
                part = data[done : done + BLOCK - start]
                self._write_block(inode, number, part, start)
                done += len(part)
            return done

    def _write_block(self, inode: int, number: int, part: bytes, start: int) -> None:
        key = (inode, number)
        if key not in self._place:
            place = next(self._next)
            real = self.quirks.real_bytes // BLOCK
            if place >= real:
                place = place % real if self.quirks.past_end == "wrap" else -1
            self._place[key] = place
            if place >= 0:
                self._owners.setdefault(place, []).append(key)
        place = self._place[key]
        # Every file whose block lies at this place reads what was written there last.
        for owner, block in self._owners.get(place, []) if place >= 0 else []:
            size = os.fstat(self._kept_fds[owner]).st_size
            room = max(0, min(len(part), size - block * BLOCK - start))
            _write_all(self._kept_fds[owner], part[:room], block * BLOCK + start)

    def _sizes(self) -> Iterator[int]:
        for _, _, files, folder in os.fwalk(b".", dir_fd=self.fd, follow_symlinks=False):
            for name in files:
                yield os.stat(name, dir_fd=folder, follow_symlinks=False).st_size


class _Device:
    """Reads a block device so that its counter grows by as much as was read from the files."""

    def __init__(self, node: str) -> None:
        self._fd = os.open(node, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)
        self._size = os.lseek(self._fd, 0, os.SEEK_END)
        self._buffer = mmap.mmap(-1, 1 << 20)
        self._lock = threading.Lock()
        self._at = 0

    def read(self, size: int) -> None:
        """Read at least ``size`` bytes of the device, past its cache."""
        left = -(-size // BLOCK) * BLOCK
        with self._lock, memoryview(self._buffer) as view:
            while left > 0:
                if self._at + BLOCK > self._size:
                    self._at = 0
                length = min(left, len(view), self._size - self._at) // BLOCK * BLOCK
                count = os.preadv(self._fd, [view[:length]], self._at)
                self._at += count
                left -= count


def _write_all(fd: int, data: bytes, offset: int) -> int:
    done = 0
    while done < len(data):
        done += os.pwrite(fd, data[done:], offset + done)
    return done
