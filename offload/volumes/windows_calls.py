"""The volume calls of Windows, by way of its own libraries.

Source: the system's documentation of each call named here. Every refusal becomes an ``OSError`` or
an empty answer, never a guess.
"""

import ctypes
import os
import struct
import sys
from collections.abc import Iterator

from offload.volumes.windows_answers import WindowsDisk, WindowsFacts, WindowsPlace

_PATH_CHARS = 4096
_NAME_CHARS = 261
_INVALID = ctypes.c_void_p(-1).value
_OPEN_EXISTING = 3
_SHARE_READ_WRITE = 3
_IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS = 0x0056_0000
_IOCTL_STORAGE_QUERY_PROPERTY = 0x002D_1400
_DRIVE_REMOTE = 4
_ANSWER_BYTES = 4096
_EXTENT_BYTES = 24
_MAX_VOLUMES = 1000

if sys.platform == "win32":
    _kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    _network = ctypes.WinDLL("mpr", use_last_error=True)
    for _name in ("FindFirstVolumeW", "CreateFileW"):
        getattr(_kernel, _name).restype = ctypes.c_void_p

    class WindowsCalls:
        """The real calls."""

        def places(self) -> Iterator[WindowsPlace]:
            """Every place where a volume or share can be reached."""
            for volume in _volumes():
                for path in _paths(volume):
                    yield WindowsPlace(path, volume, "", _kernel.GetDriveTypeW(path))
            letters = _kernel.GetLogicalDrives()
            for index in range(26):
                path = f"{chr(65 + index)}:\\"
                if letters >> index & 1 and _kernel.GetDriveTypeW(path) == _DRIVE_REMOTE:
                    yield WindowsPlace(path, "", _share(path[:2]), _DRIVE_REMOTE)

        def facts(self, path: str) -> WindowsFacts:
            """What the file system at a root tells."""
            label, kind = (ctypes.create_unicode_buffer(_NAME_CHARS) for _ in range(2))
            serial, longest, flags = (ctypes.c_uint32() for _ in range(3))
            numbers = (ctypes.byref(n) for n in (serial, longest, flags))
            _check(
                _kernel.GetVolumeInformationW(path, label, _NAME_CHARS, *numbers, kind, _NAME_CHARS)
            )
            free, total = ctypes.c_uint64(), ctypes.c_uint64()
            _check(_kernel.GetDiskFreeSpaceExW(path, ctypes.byref(free), ctypes.byref(total), None))
            return WindowsFacts(
                label.value, serial.value, flags.value, kind.value, total.value, free.value
            )

        def disks(self, volume: str) -> tuple[WindowsDisk, ...]:
            """The disks that a local volume lies on."""
            try:
                room = _ask(volume.rstrip("\\"), _IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS, b"")
                (count,) = struct.unpack_from("<I", room)
                offsets = [8 + _EXTENT_BYTES * index for index in range(count)]
                numbers = [struct.unpack_from("<I", room, at)[0] for at in offsets]
                return tuple(_disk(number) for number in dict.fromkeys(numbers))
            except (OSError, struct.error):
                return ()

        def place_of(self, path: str) -> str:
            """The root of the volume that holds ``path``."""
            room = ctypes.create_unicode_buffer(_PATH_CHARS)
            _check(_kernel.GetVolumePathNameW(os.path.realpath(path), room, _PATH_CHARS))
            return room.value

        def system_place(self) -> str:
            """The root of the volume that the system runs from."""
            room = ctypes.create_unicode_buffer(_PATH_CHARS)
            _check(_kernel.GetSystemWindowsDirectoryW(room, _PATH_CHARS))
            return self.place_of(room.value)

    def _volumes() -> list[str]:
        room = ctypes.create_unicode_buffer(_NAME_CHARS)
        handle = _kernel.FindFirstVolumeW(room, _NAME_CHARS)
        if handle in (None, _INVALID):
            raise ctypes.WinError(ctypes.get_last_error())
        found = [room.value]
        search = ctypes.c_void_p(handle)
        while len(found) < _MAX_VOLUMES and _kernel.FindNextVolumeW(search, room, _NAME_CHARS):
            found.append(room.value)
        _kernel.FindVolumeClose(search)
        return found

    def _paths(volume: str) -> list[str]:
        room = ctypes.create_unicode_buffer(_PATH_CHARS)
        used = ctypes.c_uint32()
        if not _kernel.GetVolumePathNamesForVolumeNameW(
            volume, room, _PATH_CHARS, ctypes.byref(used)
        ):
            return []
        names = "".join(room[index] for index in range(min(used.value, _PATH_CHARS)))
        return [path for path in names.split("\0") if path]

    def _share(letter: str) -> str:
        room = ctypes.create_unicode_buffer(_PATH_CHARS)
        length = ctypes.c_uint32(_PATH_CHARS)
        if _network.WNetGetConnectionW(letter, room, ctypes.byref(length)) != 0:
            return ""
        return room.value

    def _disk(number: int) -> WindowsDisk:
        # STORAGE_PROPERTY_QUERY of the device (0), standard query (0).
        room = _ask(rf"\\.\PhysicalDrive{number}", _IOCTL_STORAGE_QUERY_PROPERTY, bytes(12))
        vendor, product, _, serial, bus = struct.unpack_from("<5I", room, 12)
        names = (_text(room, vendor), _text(room, product))
        return WindowsDisk(number, bus, " ".join(filter(None, names)), _text(room, serial))

    def _text(room: bytes, at: int) -> str:
        return room[at:].partition(b"\0")[0].decode("ascii", "replace").strip() if at else ""

    def _ask(name: str, code: int, question: bytes) -> bytes:
        handle = _kernel.CreateFileW(name, 0, _SHARE_READ_WRITE, None, _OPEN_EXISTING, 0, None)
        if handle in (None, _INVALID):
            raise ctypes.WinError(ctypes.get_last_error())
        device = ctypes.c_void_p(handle)
        room = ctypes.create_string_buffer(_ANSWER_BYTES)
        used = ctypes.c_uint32()
        try:
            _check(
                _kernel.DeviceIoControl(
                    device,
                    code,
                    question or None,
                    len(question),
                    room,
                    _ANSWER_BYTES,
                    ctypes.byref(used),
                    None,
                )
            )
        finally:
            _kernel.CloseHandle(device)
        return room.raw[: used.value]

    def _check(result: int) -> None:
        if not result:
            raise ctypes.WinError(ctypes.get_last_error())
