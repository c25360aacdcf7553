"""Unmounting a volume so that it can be unplugged, and saying who is in the way.

Never by force and never lazily: a forced unmounting loses what was not written yet, a lazy one only
hides it. The mount table is asked before and after; what a command claims counts for nothing.
Sources: umount(8), fusermount3(1), udisksctl(1), diskutil(8).
"""

import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

from offload.values.paths import shown, to_text
from offload.volumes.commands import Outcome, Runner, run
from offload.volumes.holders import Holder, find_holders
from offload.volumes.mountinfo import MountRow, read_rows
from offload.volumes.table import Table, system_table
from offload.volumes.volume import Volume, VolumeError

UNMOUNT_S = 120.0
"""How long an unmounting may take: all that is still in memory is written during it."""

_PATIENCE_S = 5.0
_PAUSE_S = 0.2

_Command = Sequence[str | bytes]


class EjectError(VolumeError):
    """A volume could not be unmounted; by whoever still uses it, or for want of permission.

    Attributes:
        holders: who was seen to use it; may be empty.
    """

    code = "eject"

    def __init__(
        self, what: str, *, path: bytes, remedy: str, holders: tuple[Holder, ...] = ()
    ) -> None:
        meaning = "Do not unplug it: what was written last may not be on it yet."
        super().__init__(what, path=path, meaning=meaning, remedy=remedy)
        self.holders = holders


@dataclass(frozen=True, slots=True)
class Unmounted:
    """A volume that has been unmounted.

    Attributes:
        mount_point: where it was.
        still_mounted: other mount points on the same disk: it must not be unplugged before they
            are unmounted too.
    """

    mount_point: bytes
    still_mounted: tuple[bytes, ...] = ()


def unmount(
    volume: Volume,
    *,
    table: Table | None = None,
    runner: Runner = run,
    timeout_s: float = UNMOUNT_S,
) -> Unmounted:
    """Unmount a volume; everything not yet written to it is written first.

    Args:
        volume: as the table has it now.
        table: reads the mount table.
        runner: runs commands.
        timeout_s: seconds for each way that is tried.

    Raises:
        EjectError: it is still mounted; says who holds it where that can be found.
        VolumeError: this mounting has left already.
    """
    tables = table or system_table()
    if not tables.is_mounted(volume):
        raise VolumeError("it is not mounted any more", path=volume.mount_point)
    now = [m for m in tables.mountings() if m.mount_point == volume.mount_point]
    if volume.is_covered or len(now) > 1:
        raise EjectError(
            "another volume is mounted over it",
            path=volume.mount_point,
            remedy="Unmount the one on top first.",
        )
    until = time.monotonic() + _PATIENCE_S
    while True:
        tried: list[Outcome] = []
        for command in _ways(volume):
            tried.append(runner(command, timeout_s))
            if not tables.is_mounted(volume):
                return Unmounted(volume.mount_point, _still_mounted(volume))
        # What does not answer is asked nothing more.
        is_late = any(outcome.is_late for outcome in tried)
        holders = () if is_late else find_holders(volume.mount_point, runner)
        # Busy, and nobody holds it: whoever did has let go meanwhile, as an index run does.
        is_passing = not (holders or is_late) and any(
            "busy" in _words(outcome) for outcome in tried
        )
        if not is_passing or time.monotonic() >= until:
            raise _refused(volume, tried, holders)
        time.sleep(_PAUSE_S)


def _ways(volume: Volume) -> list[_Command]:
    """Commands to try, the one that fits this user and volume first."""
    place = volume.mount_point
    if sys.platform == "darwin":
        return [["diskutil", "unmount", place]]
    if sys.platform == "win32":
        return [["mountvol", place, "/P"]]
    plain: _Command = ["umount", place]
    if os.geteuid() == 0:
        return [plain]
    if volume.fs_type.startswith("fuse."):
        return [["fusermount3", "-u", place], plain]
    if volume.device_node:
        return [
            ["udisksctl", "unmount", "--no-user-interaction", "-b", volume.device_node],
            plain,
        ]
    return [plain]


def _refused(volume: Volume, tried: list[Outcome], holders: tuple[Holder, ...]) -> EjectError:
    place = volume.mount_point
    if any(outcome.is_late for outcome in tried):
        return EjectError(
            "it is still being written to, or does not answer",
            path=place,
            remedy=f"Wait, then ask again: umount '{to_text(place)}'",
        )
    if holders:
        who = "; ".join(str(holder) for holder in holders)
        return EjectError(
            f"it is in use by {who}",
            path=place,
            remedy="Close what uses it, then repeat the command.",
            holders=holders,
        )
    said = "; ".join(_words(outcome) for outcome in tried)
    return EjectError(
        f"it could not be unmounted: {said}",
        path=place,
        remedy=f"See what the system says: umount '{to_text(place)}'",
    )


def _words(outcome: Outcome) -> str:
    text = (outcome.complaint or outcome.output).decode("utf-8", "surrogateescape").strip()
    return shown(text) or f"exit status {outcome.status}"


def _still_mounted(volume: Volume) -> tuple[bytes, ...]:
    """Other mount points on the disk that the volume was on."""
    if sys.platform != "linux":
        return ()
    from offload.volumes.block_tree import BlockTree
    from offload.volumes.linux_physical import bottom_disks

    tree = BlockTree()
    mine = bottom_disks(tree, volume.fs_type, volume.device, volume.source)

    def is_shared(row: MountRow) -> bool:
        return bool(mine & bottom_disks(tree, row.fs_type, row.device, row.source))

    return tuple(dict.fromkeys(row.mount_point for row in read_rows() if is_shared(row)))
