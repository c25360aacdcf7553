"""Durable means that it outlives a power cut; a flush that failed is never called one.

Sources: fsync(2) ("Errors": after a failure the pages may be marked clean), syncfs(2).
"""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.storage.root import Root
from offload.storage.syncing import can_sync_whole, sync_descriptor, sync_folder, sync_whole
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import ALL, BTRFS, EXT4, XFS, FileSystem, Rack


def as_it_is_now(rack: Rack, image: Path, fs: FileSystem, name: str) -> Path:
    """What a power cut would leave: the image alone, mounted by itself."""
    copy = rack.folder / f"{name}.img"
    copy.write_bytes(image.read_bytes())
    later = rack.adopt(copy, fs, name=name)
    later.mount()
    return later.root


@pytest.mark.parametrize("error", ["EIO", "ENOSPC", "EDQUOT"])
@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_failed_flush_is_told(faulty: Callable[..., FaultFs], what: str, error: str) -> None:
    fs = faulty("drive-1")
    (fs.backing / "day").mkdir()
    with Root(os.fsencode(fs.root)) as root:
        fs.plan(Fault("syncing", count=0, errno=error))
        if what == "folder":
            with pytest.raises(OSError):
                sync_folder(root, b"day")
            return
        fd = root.create_file(b"day/C1.mov", os.O_WRONLY)
        with pytest.raises(OSError):
            sync_descriptor(fd)
        os.close(fd)


@pytest.mark.parametrize("error", ["EINVAL", "ENOTSUP"])
def test_a_drive_that_has_no_folder_sync_is_no_failure(
    faulty: Callable[..., FaultFs], error: str
) -> None:
    """For a folder alone: content that cannot be flushed is never durable."""
    fs = faulty("drive-1")
    with Root(os.fsencode(fs.root)) as root:
        fs.plan(Fault("syncing", count=0, errno=error))
        sync_folder(root, b"")
        assert fs.struck
        fd = root.create_file(b"C1.mov", os.O_WRONLY)
        with pytest.raises(OSError):
            sync_descriptor(fd)
        os.close(fd)


@pytest.mark.lab
@pytest.mark.parametrize("fs", ALL, ids=lambda fs: fs.name)
def test_synced_file_and_folder_are_on_the_device(rack: Rack, fs: FileSystem) -> None:
    volume = rack.volume(fs)
    content = os.urandom(30_000)
    with Root(os.fsencode(volume.root)) as root:
        root.make_folders(b"day")
        sync_folder(root, b"")
        fd = root.create_file(b"day/C1.mov", os.O_WRONLY)
        os.write(fd, content)
        assert sync_descriptor(fd)
        os.close(fd)
        sync_folder(root, b"day")
    assert (as_it_is_now(rack, volume.image, fs, "cut") / "day/C1.mov").read_bytes() == content


@pytest.mark.lab
@pytest.mark.parametrize("fs", [EXT4, XFS, BTRFS], ids=lambda fs: fs.name)
def test_one_call_brings_down_everything_where_it_counts(rack: Rack, fs: FileSystem) -> None:
    volume = rack.volume(fs)
    volume.sync()
    assert can_sync_whole(fs.kind)
    content = {f"day-{at}/C{at}.mov": os.urandom(9_000) for at in range(20)}
    for name, data in content.items():
        (volume.root / name).parent.mkdir()
        (volume.root / name).write_bytes(data)
    with Root(os.fsencode(volume.root)) as root:
        sync_whole(root.fd)
    cut = as_it_is_now(rack, volume.image, fs, "cut")
    assert {name: (cut / name).read_bytes() for name in content} == content


@pytest.mark.parametrize("kind", ["fuseblk", "fuse", "nfs4", "cifs", "9p", "overlay", "tmpfs", ""])
def test_where_the_word_is_anothers_each_file_is_synced_by_itself(kind: str) -> None:
    assert not can_sync_whole(kind)
