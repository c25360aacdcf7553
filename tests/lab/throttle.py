"""Slow devices: byte rates for a loop device, set in the block I/O controller and always undone.

Source: kernel documentation ``cgroup-v1/blkio-controller.rst``. The limit is set in the root group,
so that it holds for every process and for the kernel's own write-back alike; it names one device.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.lab.mounts import LabError

_GROUP = Path("/sys/fs/cgroup/blkio")


@contextmanager
def throttled(
    device: str, *, read_bytes_s: int = 0, write_bytes_s: int = 0
) -> Iterator[Callable[[], None]]:
    """Hold a device to byte rates while the block runs.

    Args:
        device: the node, such as ``/dev/loop3``.
        read_bytes_s: bytes a second; 0 leaves reading alone.
        write_bytes_s: likewise for writing.

    Yields:
        what lets the device go as fast as it can from then on.

    Raises:
        LabError: this machine has no such controller.
    """
    number = device_number(device)
    rates = {"read": read_bytes_s, "write": write_bytes_s}
    chosen = {kind: rate for kind, rate in rates.items() if rate}

    def let_go() -> None:
        for kind in chosen:
            _set(kind, number, 0)

    try:
        for kind, rate in chosen.items():
            _set(kind, number, rate)
        yield let_go
    finally:
        let_go()


def device_number(device: str) -> str:
    """``major:minor`` of a block device node."""
    return Path(f"/sys/block/{Path(device).name}/dev").read_text().strip()


def limits(device: str) -> list[str]:
    """The limits that are set for a device, as the controller lists them."""
    number = device_number(device)
    found = []
    for kind in ("read", "write"):
        path = _GROUP / f"blkio.throttle.{kind}_bps_device"
        lines = (line for line in path.read_text().splitlines() if line.split()[:1] == [number])
        found += [f"{kind} {line}" for line in lines]
    return found


def _set(kind: str, number: str, rate: int) -> None:
    path = _GROUP / f"blkio.throttle.{kind}_bps_device"
    try:
        path.write_text(f"{number} {rate}\n")
    except OSError as error:
        raise LabError(f"devices cannot be slowed down here ({path}: {error})") from error
