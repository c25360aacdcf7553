"""What a job asks of the machine it runs on: handed in, so that a laboratory can hand in others."""

import os
import secrets
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from offload.storage.evidence import ReadCounter
from offload.volumes.physical import Physical, moved_bytes, physical_devices, read_counter_bytes
from offload.volumes.table import read_volumes, volume_of
from offload.volumes.volume import Volume


def _now() -> datetime:
    return datetime.now(UTC)


def _random_number() -> str:
    return secrets.token_hex(16)


def _boot_id() -> str:
    """What tells one run of this system from the next; mount ids begin anew with it."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        # Elsewhere the moment of the start, to the second, does the same.
        return str(round(time.time() - time.monotonic()))


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The machine.

    Attributes:
        volumes: everything that is mounted.
        volume_of: the volume behind an open descriptor.
        physical: what a volume's bytes lie on.
        read_counter: bytes ever read from a block device.
        moved_counter: bytes ever read from a block device or written to it.
        now: the time, with its zone.
        random_number: 32 hex digits that nobody else has.
        host: this machine's name.
        boot_id: this run of the system.
        pid: this process.
        drive_answer_s: seconds that a drive may take to be opened, and that it may be silent
            while somebody waits for it. A disk that has gone to sleep needs some ten to turn again;
            one that loses a command is waited for 30 by Linux, reset, and asked once more
            (``/sys/block/*/device/timeout``).
    """

    volumes: Callable[[], Sequence[Volume]] = read_volumes
    volume_of: Callable[[int], Volume] = volume_of
    physical: Callable[[Volume], Physical] = physical_devices
    read_counter: ReadCounter = read_counter_bytes
    moved_counter: ReadCounter = moved_bytes
    now: Callable[[], datetime] = _now
    random_number: Callable[[], str] = _random_number
    host: str = field(default_factory=socket.gethostname)
    boot_id: str = field(default_factory=_boot_id)
    pid: int = field(default_factory=os.getpid)
    drive_answer_s: float = 45.0

    def now_ns(self) -> int:
        """Nanoseconds since 1970, as the ledger has them."""
        return int(self.now().timestamp() * 1_000_000) * 1000

    def mounting_key(self, volume: Volume) -> str:
        """What identifies one mounting on this machine for good.

        Where the system's mount ids may be given again, the ids of device and file system narrow
        it, and a descriptor held through the run does the rest.
        """
        unique = "" if volume.is_mount_id_unique else f":{volume.device}:{volume.volume_id}"
        return f"{self.boot_id}:{volume.mount_id}{unique}"

    def mounted_keys(self) -> frozenset[str]:
        """Keys of all mountings that there are now."""
        return frozenset(self.mounting_key(volume) for volume in self.volumes())
