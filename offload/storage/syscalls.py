"""System calls that Python does not offer, by way of the C library (Linux and macOS).

Each raises ``OSError`` with the system's errno, and ``ENOSYS`` where the system lacks it, so that
callers treat "not there" like any other refusal.
"""

import ctypes
import errno
import os
import sys

_libc = ctypes.CDLL(None, use_errno=True)

_RENAME_NOREPLACE = 1
_RENAME_EXCL = 4  # macOS, renameatx_np
_FALLOC_FL_KEEP_SIZE = 1


def rename_noreplace(from_fd: int, source: bytes, to_fd: int, target: bytes) -> None:
    """Rename below folder descriptors; fails with ``EEXIST`` when the target exists.

    Raises:
        OSError: ``EEXIST``; ``EINVAL`` or ``ENOSYS`` where the file system cannot do it.
    """
    if sys.platform == "darwin":
        _call("renameatx_np", from_fd, source, to_fd, target, ctypes.c_uint(_RENAME_EXCL))
    else:
        _call("renameat2", from_fd, source, to_fd, target, ctypes.c_uint(_RENAME_NOREPLACE))


def syncfs(fd: int) -> None:
    """Write back the whole file system of ``fd``.

    Since Linux 5.8 an error of any write-back since ``fd`` was opened is told here
    (syncfs(2), "Versions").
    """
    _call("syncfs", fd)


def reserve(fd: int, size_bytes: int) -> None:
    """Reserve space with the system's own call.

    ``os.posix_fallocate`` is never used: where the file system cannot reserve, the C library
    writes every block instead, and so everything twice (posix_fallocate(3), "Notes").
    """
    _call(
        "fallocate",
        fd,
        ctypes.c_int(_FALLOC_FL_KEEP_SIZE),
        ctypes.c_longlong(0),
        ctypes.c_longlong(size_bytes),
    )


def resident_pages(fd: int, size_bytes: int) -> int:
    """How many pages of the file are in memory, by cachestat(2) or mincore(2).

    A file that this user may not write counts as wholly resident where the kernel gives nothing
    away: what is not known is not evidence.
    """
    if not size_bytes:
        return 0
    try:
        return _cached_pages(fd)
    except OSError as error:
        if error.errno not in (errno.ENOSYS, errno.EOPNOTSUPP, errno.EPERM, errno.EACCES):
            raise
    starts = range(0, size_bytes, _WINDOW)
    return sum(_resident_in(fd, at, min(_WINDOW, size_bytes - at)) for at in starts)


class _CacheRange(ctypes.Structure):
    _fields_ = (("offset", ctypes.c_uint64), ("length", ctypes.c_uint64))


class _CacheStat(ctypes.Structure):
    _fields_ = (
        ("cached", ctypes.c_uint64),
        ("dirty", ctypes.c_uint64),
        ("writeback", ctypes.c_uint64),
        ("evicted", ctypes.c_uint64),
        ("recently_evicted", ctypes.c_uint64),
    )


_WHOLE_FILE = _CacheRange(0, 0)
_CACHESTAT = 451  # the same number on every Linux architecture, since 6.5 (cachestat(2))

# A function of its own, since it is told its types: asked once a file, a million times a card.
_syscall = ctypes.CDLL(None, use_errno=True).syscall
_syscall.restype = ctypes.c_long
_syscall.argtypes = [
    ctypes.c_long,
    ctypes.c_uint,
    ctypes.POINTER(_CacheRange),
    ctypes.POINTER(_CacheStat),
    ctypes.c_uint,
]


def _cached_pages(fd: int) -> int:
    if sys.platform != "linux":
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    found = _CacheStat()
    if _syscall(_CACHESTAT, fd, _WHOLE_FILE, found, 0) != 0:
        _raise("cachestat")
    return int(found.cached)


# One window's answer is a byte a page: a 300 GB clip must not cost 75 MB to ask about.
_WINDOW = 1 << 32


def _resident_in(fd: int, offset: int, length: int) -> int:
    page = os.sysconf("SC_PAGE_SIZE")
    address = _mmap(None, length, 0, 1, fd, offset)  # PROT_NONE, MAP_SHARED
    if address in (None, ctypes.c_void_p(-1).value):
        _raise("mmap")
    try:
        vector = ctypes.create_string_buffer(-(-length // page))
        _call("mincore", ctypes.c_void_p(address), ctypes.c_size_t(length), vector)
        # The lowest bit alone has a meaning; all others are reserved (mincore(2)).
        return sum(byte & 1 for byte in vector.raw)
    finally:
        _munmap(ctypes.c_void_p(address), ctypes.c_size_t(length))


_mmap = _libc.mmap
_mmap.restype = ctypes.c_void_p
_mmap.argtypes = [
    ctypes.c_void_p,
    ctypes.c_size_t,
    ctypes.c_int,
    ctypes.c_int,
    ctypes.c_int,
    ctypes.c_long,
]
_munmap = _libc.munmap


def _call(name: str, *arguments: object) -> None:
    function = getattr(_libc, name, None)
    if function is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    if function(*arguments) != 0:
        _raise(name)


def _raise(name: str) -> None:
    number = ctypes.get_errno()
    raise OSError(number, f"{name}: {os.strerror(number)}")
