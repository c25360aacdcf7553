"""The folders that an overlay mount is put together from.

Source: kernel documentation ``filesystems/overlayfs.rst``: lower folders are parted by colons; a
colon or backslash inside a name is written with a backslash before it. A double colon opens the
folders that only carry data.
"""

import re

from offload.volumes.volume import Volume

_KEYS = (b"upperdir", b"lowerdir", b"lowerdir+", b"datadir+")
_PART = re.compile(rb"((?:\\.|[^\\:])+)")
_ESCAPED = re.compile(rb"\\(.)", re.DOTALL)


def folders(volume: Volume) -> tuple[bytes, ...]:
    """Upper and lower folders as they were given; a relative one cannot be found again."""
    found: list[bytes] = []
    for option in volume.options:
        key, _, value = option.partition(b"=")
        if key in _KEYS:
            found += [_ESCAPED.sub(rb"\1", part) for part in _PART.findall(value)]
    return tuple(dict.fromkeys(found))
