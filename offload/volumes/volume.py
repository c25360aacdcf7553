"""One mounted file system, as the system describes it at one moment."""

from collections.abc import Hashable
from dataclasses import dataclass

from offload.errors import OffloadError
from offload.volumes import kinds


class VolumeError(OffloadError):
    """A file system does not answer or is no longer mounted; by device, server or person."""

    code = "volume"


@dataclass(frozen=True, slots=True)
class Mounting:
    """One line of the mount table: enough to see what comes and goes, got without touching it.

    Attributes:
        key: what tells this mounting from every other, an earlier one of the same volume too
            where the system has unique ids.
        mount_point: absolute path.
        is_covered: something is mounted over it.
    """

    key: Hashable
    mount_point: bytes
    is_covered: bool


@dataclass(frozen=True, slots=True)
class Volume:
    """A mounted file system.

    Everything that is text or bytes here comes from outside (labels, sources, models) and is shown
    only by way of ``values.paths``.

    Attributes:
        mount_point: absolute path.
        source: what was mounted: a device node, ``server:/export``, any text for some kinds.
        fs_type: the kernel's name of the kind, such as ``ext4`` or ``fuseblk``.
        options: options of this mounting and of the file system below it.
        is_read_only: this mounting, or the file system below it, takes no write.
        device: ``major:minor`` as the mount table has it; major 0 for what lies on no block device.
        mount_id: the system's id of this mounting.
        is_mount_id_unique: the system never gives ``mount_id`` again (Linux 6.8 and later); else
            an unmounting and a new mounting may have the same one.
        mounting: text that names this mounting and no other, also after the next start of the
            machine: to be stored and compared. Empty where the system cannot tell: then no two
            are ever the same.
        root: folder of the file system that is mounted here; ``/`` but for bind mounts and
            subvolumes.
        is_covered: something is mounted over it, so that its path leads elsewhere.
        is_answering: it told its size in time; False for a dead share.
        label: the file system's label; empty when there is none.
        volume_id: UUID or serial number of the file system; empty where it has none.
        capacity_bytes: size, None where not told.
        free_bytes: what this user may still write, None where not told.
        device_node: the block device's node; empty where there is none.
        bus: how the device is attached: ``usb``, ``sata``, ``nvme``, ``sd`` ...; may be empty.
        model: the device's own name; may be empty.
        reader: the reader or enclosure it sits in and its place there; may be empty.
        updates_access_times: mere reading may stamp files and so write to the device. True for a
            user-space file system mounted for writing: only its own server knows better.
    """

    mount_point: bytes
    source: bytes
    fs_type: str
    options: tuple[bytes, ...]
    is_read_only: bool
    device: str
    mount_id: int
    is_mount_id_unique: bool
    mounting: str = ""
    root: bytes = b"/"
    is_covered: bool = False
    is_answering: bool = True
    label: str = ""
    volume_id: str = ""
    capacity_bytes: int | None = None
    free_bytes: int | None = None
    device_node: bytes = b""
    bus: str = ""
    model: str = ""
    reader: str = ""
    updates_access_times: bool = True

    @property
    def is_network(self) -> bool:
        """Whether another machine answers for it."""
        return kinds.is_network(self.fs_type)

    def option(self, name: bytes) -> bytes | None:
        """The value of an option; empty for one without value, None when it is not set."""
        for entry in self.options:
            key, _, value = entry.partition(b"=")
            if key == name:
                return value
        return None
