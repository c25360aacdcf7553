"""Where volumes appear on each system, and folders there in which none is mounted.

A folder where a drive should be mounted looks like any other when the drive is not there: whatever
is written to it lands on the system disk. Source: Filesystem Hierarchy Standard 3.0, sections 3.11
(``/media``) and 3.12 (``/mnt``); ``/run/media`` and ``/Volumes``: common practice, no source.
"""

import os
import sys
from collections.abc import Iterable

from offload.volumes.volume import Volume


def appearing_places() -> tuple[bytes, ...]:
    """Folders below which this system mounts what is plugged in; Windows has none."""
    if sys.platform == "darwin":
        return (b"/Volumes",)
    if sys.platform == "win32":
        return ()
    return (b"/media", b"/run/media", b"/mnt")


def is_bare_place(path: bytes, volume: Volume, places: Iterable[bytes] | None = None) -> bool:
    """Whether a folder lies where volumes appear, and yet on none that is mounted there.

    Args:
        path: absolute path of the folder.
        volume: what it lies on (:func:`offload.volumes.table.volume_of`).
        places: where volumes appear; this system's when left out.
    """
    whole = os.path.realpath(path)
    found = appearing_places() if places is None else places
    return any(
        _is_within(whole, place) and not _is_within(volume.mount_point, place) for place in found
    )


def _is_within(path: bytes, place: bytes) -> bool:
    return path == place or path.startswith(place.rstrip(b"/") + b"/")
