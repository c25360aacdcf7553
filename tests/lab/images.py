"""Real file systems in image files: make, mount, pull, put back, change behind the cache.

Everything is made through a :class:`Rack`, which knows its own images, loop devices and mounts and
undoes exactly those, also after a failure; the ``rack`` fixture gives one to a test. A missing
tool or missing rights fail the test with a plain sentence: a laboratory that skips proves nothing.

    volume = rack.volume(EXT4)              # formatted, attached, mounted at volume.root
    (volume.root / "A001.mov").write_bytes(data); volume.sync()
    volume.flip(volume.root / "A001.mov", 4096)   # behind the mounted file system
    volume.pull()                           # input/output errors from now on
    volume.put_back()                       # another node, another mount point
"""

import contextlib
import fcntl
import gc
import hashlib
import os
import secrets
import shutil
import signal
import struct
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from tests.lab import blocks, caretaker, loops, mounts, pages
from tests.lab.mounts import LabError

MIB = 1 << 20
_FIFREEZE = 0xC0045877
_FITHAW = 0xC0045878
_FS_IOC_SHUTDOWN = 0x8004587D
_SHUTDOWN_NO_FLUSH = 2


@dataclass(frozen=True, slots=True)
class FileSystem:
    """How one kind of file system is made and mounted.

    Attributes:
        name: what it is called here.
        kind: what it is to the kernel: ``ext4``, ``xfs``, ``btrfs``, ``exfat``, ``ntfs``.
        maker: command that formats, without the image.
        mounter: command that mounts; device and mount point are added.
        options: mount options always given.
        size_bytes: size of an image when none is asked for.
        is_fuse: served by a process of its own, with a cache of its own on the block device.
        name_coding: how names lie in its folder blocks.
    """

    name: str
    kind: str
    maker: tuple[str, ...]
    mounter: tuple[str, ...]
    options: tuple[str, ...] = ()
    size_bytes: int = 64 * MIB
    is_fuse: bool = False
    name_coding: str = "utf-8"


# Small ext4 images default to 1 KiB blocks, which spoils block arithmetic.
EXT4 = FileSystem("ext4", "ext4", ("mkfs.ext4", "-q", "-b", "4096"), ("mount", "-t", "ext4"))
# Without checksums over folder blocks a changed name is not an error but simply another name.
EXT4_NO_JOURNAL = FileSystem(
    "ext4-no-journal",
    "ext4",
    ("mkfs.ext4", "-q", "-b", "4096", "-O", "^has_journal,^metadata_csum"),
    ("mount", "-t", "ext4"),
)
# mkfs.xfs refuses anything below 300 MB; the image stays sparse. nouuid lets a snapshot of a
# mounted image be mounted beside it.
XFS = FileSystem(
    "xfs",
    "xfs",
    ("mkfs.xfs", "-q", "-f"),
    ("mount", "-t", "xfs"),
    options=("nouuid",),
    size_bytes=300 * MIB,
)
_MAKE_BTRFS = ("mkfs.btrfs", "-q", "-f")
BTRFS = FileSystem("btrfs", "btrfs", _MAKE_BTRFS, ("mount", "-t", "btrfs"), size_bytes=128 * MIB)
BTRFS_COMPRESSED = FileSystem(
    "btrfs-compressed",
    "btrfs",
    _MAKE_BTRFS,
    ("mount", "-t", "btrfs"),
    options=("compress-force=zstd",),
    size_bytes=128 * MIB,
)
EXFAT = FileSystem(
    "exfat",
    "exfat",
    ("mkfs.exfat",),
    ("mount.exfat-fuse",),
    is_fuse=True,
    name_coding="utf-16-le",
)
NTFS = FileSystem(
    "ntfs",
    "ntfs",
    ("mkfs.ntfs", "-q", "-F", "-f"),
    ("ntfs-3g",),
    is_fuse=True,
    name_coding="utf-16-le",
)
ALL = (EXT4, EXT4_NO_JOURNAL, XFS, BTRFS, BTRFS_COMPRESSED, EXFAT, NTFS)


class Volume:
    """One image with its file system, its loop device and its mount point.

    Attributes:
        fs: the kind of file system.
        image: the image file.
        device: the loop device's node; empty while detached.
        root: the mount point; an ordinary empty folder while not mounted.
    """

    def __init__(self, fs: FileSystem, image: Path, root: Path) -> None:
        self.fs = fs
        self.image = image
        self.root = root
        self.device = ""
        self._mountings = 0
        self._last_device = ""
        self._roots: list[Path] = []

    # --- mounting

    def attach(self, *, avoid: str = "", read_only: bool = False) -> None:
        """Give the image a loop device."""
        self.device = loops.attach(self.image, avoid=avoid, read_only=read_only)

    def detach(self) -> None:
        """Take the loop device away; waits until it is free."""
        if self.device:
            loops.detach(self.device, self.image)
            self._last_device = self.device
            self.device = ""

    def mount(self, *, read_only: bool = False, options: tuple[str, ...] = ()) -> None:
        """Mount at ``root``; attaches first where needed.

        Args:
            read_only: mount with ``ro``.
            options: more mount options, such as ``noatime``.
        """
        if not self.device:
            self.attach()
        self.root.mkdir(exist_ok=True)
        self._roots.append(self.root)
        given = (*self.fs.options, *(("ro",) if read_only else ()), *options)
        chosen = ["-o", ",".join(given)] if given else []
        mounts.run([*self.fs.mounter, *chosen, self.device, os.fspath(self.root)])
        mounts.wait_mounted(self.root)
        self._mountings += 1

    def unmount(self, *, wait_s: float = mounts.WAIT_S) -> None:
        """Unmount properly.

        Args:
            wait_s: how long a holder that is just ending may take.

        Raises:
            LabError: something below it is still open; the message names who holds it.
        """
        mounts.unmount(self.root, wait_s=wait_s)

    def unmount_lazy(self) -> None:
        """Take the mount out of the tree at once; open descriptors go on working."""
        mounts.unmount_lazy(self.root)

    def remount(self, *, read_only: bool = False, options: tuple[str, ...] = ()) -> None:
        """Unmount and mount again at the same place: a new mounting, no pages left."""
        self.unmount()
        # Whoever looks at every device at that moment, as blkid does, keeps its pages there.
        subprocess.run(["blockdev", "--flushbufs", self.device], check=True, capture_output=True)
        self.mount(read_only=read_only, options=options)

    def close(self) -> None:
        """Unmount, by force where it must be, and detach: for the end of a test.

        Raises:
            LabError: something was still open in it.
        """
        failures: list[str] = []
        for root in dict.fromkeys(self._roots):
            while mounts.is_mounted(root):
                try:
                    mounts.unmount(root)
                except LabError as error:
                    failures.append(str(error))
                    mounts.unmount_lazy(root)
        wait_s = 0.1 if failures else loops.WAIT_S
        for device, _ in loops.attached_below(self.image.parent):
            if loops.carries(device, self.image):
                try:
                    loops.detach(device, self.image, wait_s=wait_s)
                except loops.LoopError as error:
                    failures.append(str(error))
        self.device = ""
        if failures:
            raise LabError("; ".join(failures))

    # --- what happens to drives

    def pull(self) -> None:
        """Let the drive vanish under load: every request fails, the mount is still to be seen.

        ext4 and xfs are shut down without a flush (what was not on the device is lost); a file
        system in user space loses its process. btrfs has no such call on older kernels: put the
        image on a faulty file system instead.

        Raises:
            LabError: this file system cannot be pulled this way.
        """
        if self.fs.is_fuse:
            self._kill_server()
        elif self.fs.kind in ("ext4", "xfs"):
            descriptor = os.open(self.root, os.O_RDONLY | os.O_CLOEXEC)
            try:
                how = struct.pack("=I", _SHUTDOWN_NO_FLUSH)
                fcntl.ioctl(descriptor, _FS_IOC_SHUTDOWN, how)
            finally:
                os.close(descriptor)
        else:
            raise LabError(f"{self.fs.name} cannot be shut down; put its image on faultfs")

    def put_back(self, *, read_only: bool = False, same_place: bool = False) -> None:
        """Plug the drive in again: another device node and, unless asked, another mount point."""
        if mounts.is_mounted(self.root):
            self.unmount_lazy()
        old = self.device or self._last_device
        self.detach()
        if not same_place:
            self.root = self.root.with_name(f"{self.root.name}-again-{self._mountings}")
        self.attach(avoid=old)
        self.mount(read_only=read_only)

    def snapshot(self, target: Path) -> Path:
        """Copy the image as it is this moment: what the device had received by now.

        Stop writers first where the order of writes matters; the copy takes some milliseconds.
        """
        mounts.run(["cp", "--sparse=always", os.fspath(self.image), os.fspath(target)])
        return target

    def sync(self) -> None:
        """Bring everything down to the image, folders and file system structures too."""
        descriptor = os.open(self.root, os.O_RDONLY | os.O_CLOEXEC)
        try:
            mounts.syncfs(descriptor)
        finally:
            os.close(descriptor)
        if self.device:
            node = os.open(self.device, os.O_RDONLY | os.O_CLOEXEC)
            try:
                os.fsync(node)
            finally:
                os.close(node)

    # --- behind the file system's back

    def place(self, path: Path, offset: int = 0) -> int:
        """Offset in the image of a byte that stands for byte ``offset`` of the file.

        For a compressed extent it is the first byte of its packed form.

        Raises:
            BlockError: it has no block of its own, or the content is not unique in the image.
        """
        self.sync()
        if self.fs.is_fuse:
            with path.open("rb") as file:
                file.seek(offset)
                pattern = file.read(blocks.PATTERN_BYTES)
            return blocks.only_place(self.image, pattern)
        extent = blocks.extent_at(path, offset)
        physical = extent.physical + (0 if extent.is_encoded else offset - extent.logical)
        if self.fs.kind == "btrfs":
            return blocks.btrfs_physical(self.image, physical)
        return physical

    def flip(self, path: Path, offset: int = 0, mask: int = 0x01) -> int:
        """Flip bits of one byte of a file's content in the image; returns where it lies."""
        at = self.place(path, offset)
        blocks.flip(self.image, at, mask)
        return at

    def zero_block(self, path: Path, offset: int = 0, length: int = 4096) -> None:
        """Lose one block of a file's content in the image (needs content that is not packed)."""
        at = self.place(path, offset // length * length)
        blocks.overwrite(self.image, at, bytes(length))

    def name_places(self, name: bytes) -> list[int]:
        """Where a name lies in the image: in folder blocks, journals and spare copies of them."""
        self._settle_structures()
        coded = name.decode("utf-8", "surrogateescape").encode(
            self.fs.name_coding, "surrogateescape"
        )
        return blocks.places(self.image, coded)

    def damage_name(self, name: bytes) -> int:
        """Flip the lowest bit of the name's first letter wherever it lies; number of places.

        File systems with checksums over their folders answer with an error when the folder is
        read from the device; ext4 without them, and NTFS, show another name.

        Raises:
            BlockError: the name lies nowhere.
        """
        found = self.name_places(name)
        if not found:
            raise blocks.BlockError(f"{name!r} lies nowhere in {self.image.name}")
        for at in found:
            blocks.flip(self.image, at)
        return len(found)

    def image_hash(self) -> str:
        """SHA-256 of the whole image, hex."""
        return image_hash(self.image)

    def forget_pages(self) -> None:
        """Drop what the machine keeps of this volume: for tests of reading itself."""
        self.sync()
        pages.forget_files(os.fsencode(self.root))
        subprocess.run(["blockdev", "--flushbufs", self.device], check=True, capture_output=True)

    def _settle_structures(self) -> None:
        # xfs keeps folders in its log after a sync and writes them home when frozen.
        self.sync()
        if self.fs.kind == "xfs":
            descriptor = os.open(self.root, os.O_RDONLY | os.O_CLOEXEC)
            try:
                fcntl.ioctl(descriptor, _FIFREEZE, 0)
                fcntl.ioctl(descriptor, _FITHAW, 0)
            finally:
                os.close(descriptor)

    def _kill_server(self) -> None:
        number = mounts.serving_process(self.device)
        os.kill(number, signal.SIGKILL)
        deadline = time.monotonic() + 30
        while os.path.exists(f"/proc/{number}/cwd") and time.monotonic() < deadline:
            time.sleep(0.01)


class Rack:
    """The images, loop devices and mounts of one test, and their undoing.

    Args:
        folder: where images and mount points lie; on a real disk, not in memory.
    """

    def __init__(self, folder: Path) -> None:
        mounts.require_root()
        mounts.require_disk(folder)
        caretaker.watch(folder)
        self.folder = folder
        self._images = folder / "images"
        self._roots = folder / "mounted"
        self._volumes: list[Volume] = []
        self._other: list[Path] = []
        self._images.mkdir(exist_ok=True)
        self._roots.mkdir(exist_ok=True)

    def volume(
        self,
        fs: FileSystem = EXT4,
        *,
        name: str = "",
        size_bytes: int = 0,
        label: str = "",
        make_options: tuple[str, ...] = (),
        is_mounted: bool = True,
        inside: Path | None = None,
    ) -> Volume:
        """A new volume, formatted and (unless asked otherwise) mounted.

        Args:
            fs: kind of file system.
            name: name of the image and the mount point; counted through where empty.
            size_bytes: size of the image; the kind's own where 0. The file is sparse.
            label: volume label; none where empty.
            make_options: more options for the formatting command.
            is_mounted: mount it at once.
            inside: folder to put the image into, such as a faulty file system or a small tmpfs.
        """
        mounts.require_tools(fs.maker[0], fs.mounter[0], "losetup")
        name = name or f"{fs.name}-{len(self._volumes) + 1}"
        image = (inside or self._images) / f"{name}.img"
        with image.open("xb") as file:
            file.truncate(size_bytes or fs.size_bytes)
        labelled = (_LABEL_OPTION[fs.kind], label) if label else ()
        mounts.run([*fs.maker, *labelled, *make_options, os.fspath(image)])
        if fs.kind == "exfat":
            # Its maker takes the id from a coarse clock: two made in one tick would be one.
            number = f"0x{secrets.randbits(32):08x}"
            mounts.run(["tune.exfat", "-I", number, os.fspath(image)])
        volume = self.adopt(image, fs, name=name)
        if is_mounted:
            volume.mount()
        return volume

    def adopt(self, image: Path, fs: FileSystem, *, name: str = "") -> Volume:
        """A volume from an image that exists, such as a snapshot; not mounted yet."""
        volume = Volume(fs, image, self._roots / (name or image.stem))
        self._volumes.append(volume)
        return volume

    def snapshot(self, volume: Volume, name: str) -> Volume:
        """A copy of a volume's image as it is now, as a volume of its own; not mounted yet."""
        image = volume.snapshot(self._images / f"{name}.img")
        return self.adopt(image, volume.fs, name=name)

    def tmpfs(self, name: str, size_bytes: int) -> Path:
        """A file system in memory."""
        root = self._place(name)
        mounts.run(["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", os.fspath(root)])
        return root

    def bind(self, source: Path, name: str) -> Path:
        """Another name for a folder: a bind mount."""
        root = self._place(name)
        mounts.run(["mount", "--bind", os.fspath(source), os.fspath(root)])
        return root

    def bind_at(self, source: Path, place: Path) -> None:
        """A bind mount over an existing folder, such as one inside a card."""
        self._other.append(place)
        mounts.run(["mount", "--bind", os.fspath(source), os.fspath(place)])

    def close(self) -> None:
        """Undo everything, newest first, then see that nothing is left.

        Raises:
            LabError: something was still open, or is still attached or mounted.
        """
        # A test that failed holds, by its traceback, what it had opened.
        gc.collect()
        failures: list[str] = []
        holding = [place for place in self._other if self._holds_image(place)]
        # What holds an image goes after its volume: taken away first, the loop device would carry
        # a file that has no path any more, and nobody would find it.
        self._take_away([place for place in self._other if place not in holding])
        for volume in reversed(self._volumes):
            try:
                volume.close()
            except AssertionError as error:
                failures.append(str(error))
        self._take_away(holding)
        failures = failures or left_below(self.folder)
        if failures:
            raise LabError("; ".join(failures))
        shutil.rmtree(self._images, ignore_errors=True)

    def _holds_image(self, place: Path) -> bool:
        return any(volume.image.is_relative_to(place) for volume in self._volumes)

    def _take_away(self, places: list[Path]) -> None:
        for place in reversed(places):
            with contextlib.suppress(LabError):
                while mounts.is_mounted(place):
                    mounts.unmount_lazy(place)

    def _place(self, name: str) -> Path:
        root = self._roots / name
        root.mkdir()
        self._other.append(root)
        return root


_LABEL_OPTION = {"ext4": "-L", "xfs": "-L", "btrfs": "-L", "exfat": "-n", "ntfs": "-L"}


def left_below(folder: Path) -> list[str]:
    """A sentence for every mount and loop device that is left below ``folder``."""
    left = [f"{place} is still mounted" for place in mounts.mounted_below(folder)]
    left += [f"{node} still carries {image}" for node, image in loops.attached_below(folder)]
    return left


def image_hash(image: Path) -> str:
    """SHA-256 of a file, hex."""
    with image.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
