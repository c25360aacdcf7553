"""Loop devices: attach an image, detach exactly that one, and name what is left.

Sources: loop(4) (``LOOP_CTL_GET_FREE``, major number 7), sysfs ``/sys/block/loopN/loop``.
"""

import contextlib
import fcntl
import os
import stat
import subprocess
import time
from pathlib import Path

_LOOP_CTL_GET_FREE = 0x4C82
_LOOP_MAJOR = 7
_ATTACH_TRIES = 50
WAIT_S = 30.0


class LoopError(AssertionError):
    """A loop device could not be had or given back; a failure of the laboratory."""


def attach(image: Path, *, avoid: str = "", read_only: bool = False) -> str:
    """Attach ``image`` to a free loop device and return its node, such as ``/dev/loop3``.

    Args:
        image: the image file.
        avoid: a node not to use, so that a drive can come back under another one.
        read_only: attach so that no write can reach the image.

    Raises:
        LoopError: no device could be had.
    """
    device = _attach_once(image, read_only=read_only)
    if device != avoid:
        return device
    other = _attach_once(image, read_only=read_only)
    detach(device, image)
    return other


def detach(device: str, image: Path, *, wait_s: float = WAIT_S) -> None:
    """Give ``device`` back, only if ``image`` is what it carries; wait until it is free.

    A device that is held open is given back by the kernel as soon as its last holder ends.

    Raises:
        LoopError: it still carries the image after ``wait_s`` seconds: somebody holds it open.
    """
    if not carries(device, image):
        return
    subprocess.run(["losetup", "-d", device], check=False, capture_output=True)
    deadline = time.monotonic() + wait_s
    while carries(device, image):
        if time.monotonic() > deadline:
            raise LoopError(f"{device} still carries {image}: something holds it open")
        time.sleep(0.01)


def carries(device: str, image: Path) -> bool:
    """Whether ``device`` is attached to ``image`` (also when the image has been deleted)."""
    return backing_file(device) == os.fspath(image.absolute())


def backing_file(device: str) -> str:
    """The image behind ``device``; empty when it is free."""
    name = os.path.basename(device)
    try:
        text = Path(f"/sys/block/{name}/loop/backing_file").read_text()
    except OSError:
        return ""
    return text.rstrip("\n").removesuffix(" (deleted)")


def attached_below(folder: Path) -> list[tuple[str, str]]:
    """Node and image of every loop device whose image lies below ``folder``."""
    head = os.fspath(folder.absolute()) + os.sep
    found = []
    for entry in sorted(Path("/sys/block").glob("loop*")):
        device = f"/dev/{entry.name}"
        image = backing_file(device)
        if image.startswith(head):
            found.append((device, image))
    return found


def _attach_once(image: Path, *, read_only: bool) -> str:
    mode = ["--read-only"] if read_only else []
    said = ""
    for _ in range(_ATTACH_TRIES):
        device = _free_node()
        done = subprocess.run(
            ["losetup", *mode, device, os.fspath(image.absolute())],
            check=False,
            capture_output=True,
            text=True,
        )
        if done.returncode == 0:
            return device
        # Another process may have taken the same free device in between.
        said = done.stderr.strip()
        time.sleep(0.02)
    raise LoopError(f"no loop device for {image}: {said}")


def _free_node() -> str:
    control = os.open("/dev/loop-control", os.O_RDWR | os.O_CLOEXEC)
    try:
        number = fcntl.ioctl(control, _LOOP_CTL_GET_FREE)
    finally:
        os.close(control)
    node = f"/dev/loop{number}"
    # Only eight nodes are made at boot; where /dev does not make the others itself, we do.
    if not os.path.exists(node):
        with contextlib.suppress(FileExistsError):
            os.mknod(node, stat.S_IFBLK | 0o660, os.makedev(_LOOP_MAJOR, number))
    return node
