"""The laboratory's volumes really do what they say, with plain system calls and outside tools."""

import contextlib
import dataclasses
import errno
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.lab import blocks, images, loops, mounts
from tests.lab.images import (
    ALL,
    BTRFS,
    BTRFS_COMPRESSED,
    EXFAT,
    EXT4,
    EXT4_NO_JOURNAL,
    NTFS,
    XFS,
    FileSystem,
    Rack,
)

pytestmark = pytest.mark.lab
SIZE = 300_000
BY_NAME = [pytest.param(fs, id=fs.name) for fs in ALL]


def written(rack: Rack, fs: FileSystem) -> tuple[images.Volume, Path, bytes]:
    volume = rack.volume(fs)
    data = os.urandom(SIZE)
    path = volume.root / "A001C001.mov"
    path.write_bytes(data)
    volume.sync()
    return volume, path, data


@pytest.mark.parametrize("fs", BY_NAME)
def test_file_comes_back_after_remount(rack: Rack, fs: FileSystem) -> None:
    volume, path, data = written(rack, fs)
    volume.remount(read_only=True)
    assert path.read_bytes() == data
    with pytest.raises(OSError) as refused:
        (volume.root / "new").write_bytes(b"x")
    assert refused.value.errno == errno.EROFS


def test_exfat_volumes_made_at_once_have_ids_of_their_own(rack: Rack) -> None:
    """The maker takes the id from the clock: a drive and a card made in one tick had the same.

    A drive that looks like the card in id, label and size is refused, and no test that needs two
    drives can be cleared then.
    """
    ticking = 'mkfs.exfat "$0" && tune.exfat -I 0x6b46f8f5 "$0"'
    fs = dataclasses.replace(EXFAT, maker=("sh", "-c", ticking))
    made = [rack.volume(fs, name=name, is_mounted=False) for name in ("card", "drive")]
    ids = {mounts.run(["tune.exfat", "-i", str(volume.image)]).stdout for volume in made}
    assert len(ids) == 2


@pytest.mark.parametrize("fs", BY_NAME)
def test_flip_shows_from_device_only(rack: Rack, fs: FileSystem) -> None:
    """Expected by case F01: the plain re-read is answered from memory."""
    volume, path, data = written(rack, fs)
    assert path.read_bytes() == data
    volume.flip(path, 5000)
    if not fs.is_fuse:
        # FUSE servers keep no pages for the file unless asked; what stands between them and
        # the image is the block device's own cache, filled by the writing.
        assert path.read_bytes() == data
    volume.remount()
    try:
        seen = path.read_bytes()
    except OSError as error:
        assert error.errno == errno.EIO
        assert fs.kind == "btrfs"  # it has checksums over the content
    else:
        assert len(seen) == SIZE
        assert seen != data
        if fs is not BTRFS_COMPRESSED:
            assert [at for at in range(SIZE) if seen[at] != data[at]] == [5000]


@pytest.mark.parametrize("fs", [EXFAT, NTFS], ids=["exfat", "ntfs"])
def test_fuse_volume_reads_through_device_cache(rack: Rack, fs: FileSystem) -> None:
    """A file system in user space reads its block device through that device's cached pages."""
    volume, path, data = written(rack, fs)
    path.read_bytes()
    at = volume.flip(path, 5000)
    with open(volume.device, "rb") as device:
        device.seek(at)
        assert device.read(1) == data[5000:5001]
    volume.forget_pages()
    assert path.read_bytes()[5000] == data[5000] ^ 1


@pytest.mark.parametrize("fs", [EXT4, EXT4_NO_JOURNAL, XFS], ids=lambda fs: fs.name)
def test_place_agrees_with_filefrag(rack: Rack, fs: FileSystem) -> None:
    """Reference tool: filefrag from e2fsprogs."""
    volume, path, _ = written(rack, fs)
    listed = subprocess.run(
        ["filefrag", "-v", path], check=True, capture_output=True, text=True
    ).stdout
    first = next(line for line in listed.splitlines() if line.split(":")[0].strip() == "0")
    block = int(first.split(":")[2].split("..")[0])
    assert volume.place(path, 0) == block * 4096


def test_place_on_btrfs_is_physical(rack: Rack) -> None:
    volume, path, data = written(rack, BTRFS)
    at = volume.place(path, 8192)
    assert volume.image.read_bytes()[at : at + 64] == data[8192 : 8192 + 64]


def test_packed_content_is_not_findable(rack: Rack) -> None:
    volume = rack.volume(BTRFS_COMPRESSED)
    path = volume.root / "zeros.mov"
    path.write_bytes(b"Night Ferry " * 40_000)
    volume.sync()
    assert blocks.extent_at(path, 0).is_encoded


@pytest.mark.parametrize("fs", BY_NAME)
def test_damaged_name_is_seen_when_read_anew(rack: Rack, fs: FileSystem) -> None:
    volume = rack.volume(fs, is_mounted=False)
    # Else somebody who lists the folder meanwhile makes the driver write it anew.
    volume.mount(options=("noatime",))
    path = volume.root / "A001C001.mov"
    path.write_bytes(os.urandom(SIZE))
    volume.sync()
    assert volume.damage_name(b"A001C001.mov") >= 1
    try:
        volume.remount()
        seen = os.listdir(volume.root)
        path.stat()
        path.read_bytes()
    except (OSError, mounts.LabError):
        return
    assert "A001C001.mov" not in seen


def test_name_changes_silently_without_checksums(rack: Rack) -> None:
    volume, path, _ = written(rack, EXT4_NO_JOURNAL)
    assert path.name in os.listdir(volume.root)
    volume.damage_name(b"A001C001.mov")
    assert path.name in os.listdir(volume.root), "answered from memory"
    volume.remount()
    assert "@001C001.mov" in os.listdir(volume.root)


@pytest.mark.parametrize("fs", [EXT4, XFS, EXFAT, NTFS], ids=lambda fs: fs.name)
def test_pulled_drive_fails_and_comes_back(rack: Rack, fs: FileSystem) -> None:
    volume, path, data = written(rack, fs)
    held = path.open("rb")
    old = (volume.device, volume.root)
    volume.pull()
    with pytest.raises(OSError) as lost:
        (volume.root / "more.mov").write_bytes(b"more")
    assert lost.value.errno in (errno.EIO, errno.ENOTCONN, errno.ESHUTDOWN)
    with contextlib.suppress(OSError):
        held.close()
    volume.put_back()
    assert (volume.device, volume.root) != old
    assert volume.device != old[0]
    assert (volume.root / path.name).read_bytes() == data


def test_btrfs_cannot_be_pulled_by_shutdown(rack: Rack) -> None:
    volume = rack.volume(BTRFS)
    with pytest.raises(mounts.LabError, match="faultfs"):
        volume.pull()


def test_lazy_unmount_leaves_bare_folder(rack: Rack) -> None:
    """Case F09: afterwards the folder is an ordinary empty one on its parent's device."""
    volume, path, data = written(rack, EXT4)
    with path.open("rb") as held:
        volume.unmount_lazy()
        assert os.listdir(volume.root) == []
        assert volume.root.stat().st_dev == volume.root.parent.stat().st_dev
        assert held.read() == data


@pytest.mark.parametrize("fs", BY_NAME)
def test_snapshot_mounts_beside_its_original(rack: Rack, fs: FileSystem) -> None:
    volume, path, data = written(rack, fs)
    copy = rack.snapshot(volume, "as-it-was")
    path.unlink()
    volume.sync()
    copy.mount()
    assert (copy.root / path.name).read_bytes() == data
    assert not path.exists()


def test_snapshot_holds_only_what_arrived(rack: Rack) -> None:
    volume = rack.volume(EXT4)
    (volume.root / "late.mov").write_bytes(os.urandom(SIZE))
    copy = rack.snapshot(volume, "power-cut")
    copy.mount()
    late = copy.root / "late.mov"
    assert not late.exists() or late.read_bytes() != (volume.root / "late.mov").read_bytes()


def test_read_only_mount_leaves_image_alone(rack: Rack) -> None:
    volume, path, data = written(rack, EXFAT)
    volume.unmount()
    before = volume.image_hash()
    volume.mount(read_only=True, options=("noatime",))
    assert path.read_bytes() == data
    volume.unmount()
    assert volume.image_hash() == before


def test_differing_ranges_name_the_place(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.write_bytes(bytes(3 << 20))
    other.write_bytes(bytes(3 << 20))
    blocks.flip(other, (1 << 20) + 1000)
    assert blocks.differing_ranges(one, other) == [((1 << 20) + 512, (1 << 20) + 1024)]


def test_more_volumes_than_ready_nodes(rack: Rack) -> None:
    """Eight nodes are made at boot."""
    made = [rack.volume(EXT4, size_bytes=8 << 20) for _ in range(10)]
    assert len({volume.device for volume in made}) == 10
    assert all(mounts.is_mounted(volume.root) for volume in made)


def test_labels_are_set(rack: Rack) -> None:
    """Reference tool: blkid from util-linux."""
    for fs in (EXT4, XFS, BTRFS, EXFAT, NTFS):
        volume = rack.volume(fs, label="A001")
        said = subprocess.run(
            ["blkid", "-p", "-o", "value", "-s", "LABEL", volume.image],
            check=True,
            capture_output=True,
            text=True,
        )
        assert said.stdout.strip() == "A001", fs.name


def test_open_file_is_named_at_the_end(tmp_path: Path) -> None:
    rack = Rack(tmp_path)
    volume = rack.volume(EXT4)
    held = (volume.root / "held").open("wb")
    with pytest.raises(mounts.LabError, match=str(os.getpid())):
        volume.unmount(wait_s=0.2)
    held.close()
    rack.close()
    assert images.left_below(tmp_path) == []


def test_rack_closes_after_every_accident(tmp_path: Path) -> None:
    rack = Rack(tmp_path)
    pulled, lazy, twice = rack.volume(EXT4), rack.volume(XFS), rack.volume(EXFAT)
    pulled.pull()
    lazy.unmount_lazy()
    twice.put_back()
    rack.tmpfs("memory", 1 << 20)
    rack.bind(lazy.root, "bound")
    rack.close()
    assert images.left_below(tmp_path) == []


def test_left_over_mount_is_reported(tmp_path: Path) -> None:
    rack = Rack(tmp_path)
    volume = rack.volume(EXT4)
    assert len(images.left_below(tmp_path)) == 2
    rack.close()
    assert loops.backing_file(volume.device or "/dev/loop0") != str(volume.image)


def test_missing_tool_fails_by_name() -> None:
    with pytest.raises(mounts.LabError, match=r"mkfs\.night-ferry"):
        mounts.require_tools("mkfs.night-ferry")


def test_rack_in_memory_is_refused(rack: Rack) -> None:
    memory = rack.tmpfs("memory", 1 << 20)
    with pytest.raises(mounts.LabError, match="memory"):
        Rack(memory)


def test_killed_run_leaves_nothing(tmp_path: Path) -> None:
    script = (
        "import pathlib, sys, time; from tests.lab.images import Rack, EXFAT;"
        "rack = Rack(pathlib.Path(sys.argv[1])); rack.volume(); rack.volume(EXFAT);"
        "print('up', flush=True); time.sleep(60)"
    )
    top = Path(__file__).resolve().parents[2]
    command = [sys.executable, "-c", script, tmp_path]
    child = subprocess.Popen(command, cwd=top, stdout=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stdout.readline() == b"up\n"
    assert len(images.left_below(tmp_path)) == 4
    child.kill()
    child.communicate()
    deadline = time.monotonic() + 60
    while images.left_below(tmp_path) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert images.left_below(tmp_path) == []


@pytest.mark.lab
def test_image_in_memory_leaves_no_loop_device(tmp_path: Path) -> None:
    made = Rack(tmp_path)
    volume = made.volume(EXT4, inside=made.tmpfs("memory", 64 << 20))
    device = volume.device
    assert loops.backing_file(device)
    made.close()
    assert loops.backing_file(device) == ""
