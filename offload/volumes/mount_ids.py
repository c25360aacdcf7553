"""Ids of mountings that the kernel never gives again (Linux 6.8 and later).

Sources: statx(2) (``STATX_MNT_ID_UNIQUE``), statmount(2), listmount(2), ``linux/mount.h``. None of
these calls asks the file system itself, so a dead server cannot hold them up.
"""

import ctypes
import errno
import functools
import os
import struct
import sys

_libc = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None

_AT_EMPTY_PATH = 0x1000
_AT_STATX_DONT_SYNC = 0x4000
_STATX_MNT_ID_UNIQUE = 0x4000
_STATX_BYTES = 256
_STATX_MNT_ID_AT = 0x90

# The same numbers on every architecture but alpha.
_SYS_STATMOUNT = 457
_SYS_LISTMOUNT = 458
_STATMOUNT_MNT_BASIC = 0x2
_LSMT_ROOT = 0xFFFF_FFFF_FFFF_FFFF
_REQUEST = struct.Struct("=IIQQ")
_ANSWER_BYTES = 4096
_MNT_ID = struct.Struct("=QQII")
_MNT_ID_AT = 40
_PAGE = 512
_MAX_MOUNTS = 200_000


def unique_id_of(fd: int) -> int | None:
    """The unique id of the mounting that ``fd`` was opened in; None where the system has none.

    It stays true after that mounting was mounted over or taken out of the tree.
    """
    if _libc is None or not hasattr(_libc, "statx"):
        return None
    room = ctypes.create_string_buffer(_STATX_BYTES)
    flags = _AT_EMPTY_PATH | _AT_STATX_DONT_SYNC
    if _libc.statx(fd, b"", flags, ctypes.c_uint(_STATX_MNT_ID_UNIQUE), room) != 0:
        return None
    mask = int.from_bytes(room.raw[0:4], sys.byteorder)
    if not mask & _STATX_MNT_ID_UNIQUE:
        return None
    return int.from_bytes(room.raw[_STATX_MNT_ID_AT : _STATX_MNT_ID_AT + 8], sys.byteorder)


def table_id_of(fd: int) -> int | None:
    """The mount table's id of the mounting that ``fd`` was opened in (proc(5), ``fdinfo``)."""
    try:
        with open(f"/proc/self/fdinfo/{fd}", "rb") as file:
            lines = file.read(4096).split(b"\n")
    except OSError:
        return None
    for line in lines:
        key, _, value = line.partition(b":")
        if key == b"mnt_id":
            return int(value)
    return None


def mounting_name(unique: int) -> str:
    """A text that names a mounting for good: unique ids begin anew with each start of the machine.

    Empty where this start has no name (random(4), ``boot_id``): then nothing is ever the same.
    """
    boot = _boot_id()
    return f"{boot}/{unique}" if boot else ""


def is_same_mounting(fd: int, other: int) -> bool:
    """Whether two descriptors were opened in one mounting.

    A bind mount of the same file system is another one; a btrfs subvolume is not, though its device
    number differs. Where the system tells no ids, the device number decides.
    """
    for ask in (unique_id_of, table_id_of):
        one, two = ask(fd), ask(other)
        if one is not None and two is not None:
            return one == two
    return os.fstat(fd).st_dev == os.fstat(other).st_dev


def unique_ids() -> dict[int, int]:
    """Unique id by the mount table's id, for every mounting; empty where the system has none."""
    if not has_unique_ids():
        return {}
    found: dict[int, int] = {}
    last = 0
    while len(found) < _MAX_MOUNTS:
        page = _list_after(last)
        for unique in page:
            table_id = _table_id(unique)
            if table_id is not None:
                found[table_id] = unique
        if len(page) < _PAGE:
            break
        last = page[-1]
    return found


def is_mounted(unique: int) -> bool:
    """Whether the mounting with this unique id is still in the tree."""
    return _table_id(unique) is not None


@functools.cache
def has_unique_ids() -> bool:
    """Whether this kernel, and what confines this process, offer statmount(2) and statx ids."""
    if _libc is None:
        return False
    fd = os.open("/", os.O_RDONLY | os.O_CLOEXEC)
    try:
        unique = unique_id_of(fd)
    finally:
        os.close(fd)
    return unique is not None and bool(_list_after(0))


@functools.cache
def _boot_id() -> str:
    try:
        with open("/proc/sys/kernel/random/boot_id", "rb") as file:
            return file.read(64).decode("ascii", "replace").strip()
    except OSError:
        return ""


def _list_after(last: int) -> list[int]:
    request = _REQUEST.pack(_REQUEST.size, 0, _LSMT_ROOT, last)
    room = (ctypes.c_uint64 * _PAGE)()
    count = _call(_SYS_LISTMOUNT, request, room, _PAGE)
    return list(room[: max(count, 0)])


def _table_id(unique: int) -> int | None:
    request = _REQUEST.pack(_REQUEST.size, 0, unique, _STATMOUNT_MNT_BASIC)
    room = ctypes.create_string_buffer(_ANSWER_BYTES)
    if _call(_SYS_STATMOUNT, request, room, _ANSWER_BYTES) != 0:
        # It went away between the listing and now.
        return None
    _, _, table_id, _ = _MNT_ID.unpack_from(room, _MNT_ID_AT)
    return int(table_id)


def _call(
    number: int, request: bytes, room: ctypes.Array[ctypes.c_uint64] | object, size: int
) -> int:
    if _libc is None:
        return -errno.ENOSYS
    found: int = _libc.syscall(
        ctypes.c_long(number), request, room, ctypes.c_size_t(size), ctypes.c_uint(0)
    )
    return found
