"""What real file systems on this machine lie on."""

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from offload.volumes.block_tree import BlockTree, device_number, read_counter_bytes
from offload.volumes.disk_identity import DiskIdentities
from offload.volumes.linux_physical import PhysicalReader
from offload.volumes.physical import is_system_disk, lane_devices, physical_devices
from offload.volumes.table import volume_of
from tests.lab import mounts
from tests.lab.images import BTRFS, EXFAT, EXT4, NTFS, XFS, FileSystem, Rack

pytestmark = pytest.mark.lab


@pytest.mark.parametrize("fs", [EXT4, XFS, BTRFS, EXFAT, NTFS], ids=lambda fs: str(fs.name))
def test_loop_image_lies_on_the_disk_of_its_file(rack: Rack, fs: FileSystem) -> None:
    made = rack.volume(fs)
    below = physical_devices(volume_of(os.fsencode(rack.folder)))
    found = physical_devices(volume_of(os.fsencode(made.root)))
    assert found.devices == below.devices
    assert found.disks == below.disks
    assert found.counters == (device_number(os.fsencode(made.device)),)
    assert found.nodes == (os.fsencode(made.device),)
    assert not found.is_separate_from(below)


@pytest.mark.parametrize("fs", [EXT4, XFS, BTRFS, EXFAT, NTFS], ids=lambda fs: str(fs.name))
def test_counter_grows_by_what_is_read(rack: Rack, fs: FileSystem) -> None:
    made = rack.volume(fs)
    (made.root / "A001.mov").write_bytes(os.urandom(4 << 20))
    made.remount()
    (counter,) = physical_devices(volume_of(os.fsencode(made.root))).counters
    made.forget_pages()
    before = read_counter_bytes(counter)
    (made.root / "A001.mov").read_bytes()
    after = read_counter_bytes(counter)
    assert before is not None
    assert after is not None
    assert after - before >= 4 << 20


def test_image_on_a_memory_file_system_is_memory(rack: Rack) -> None:
    memory = rack.tmpfs("memory", 96 << 20)
    made = rack.volume(EXT4, inside=memory)
    try:
        assert physical_devices(volume_of(os.fsencode(made.root))).is_ram
    finally:
        made.close()


def test_image_inside_an_image_lies_on_the_same_disk(rack: Rack) -> None:
    outer = rack.volume(XFS, size_bytes=400 << 20)
    inner = rack.volume(EXT4, inside=outer.root)
    try:
        found = physical_devices(volume_of(os.fsencode(inner.root)))
        assert found.devices == physical_devices(volume_of(os.fsencode(rack.folder))).devices
    finally:
        inner.close()


def test_image_that_was_deleted_still_lies_where_it_lay(rack: Rack) -> None:
    made = rack.volume(EXT4)
    kept = made.image.with_suffix(".kept")
    os.link(made.image, kept)
    made.image.unlink()
    try:
        found = physical_devices(volume_of(os.fsencode(made.root)))
        assert found.devices == physical_devices(volume_of(os.fsencode(rack.folder))).devices
    finally:
        os.link(kept, made.image)


def test_image_whose_path_leads_elsewhere_by_now(rack: Rack) -> None:
    outer = rack.volume(EXT4, name="outer", size_bytes=128 << 20)
    inner = rack.volume(EXT4, name="inner", inside=outer.root)
    memory = rack.tmpfs("memory", 1 << 20)
    (memory / inner.image.name).write_bytes(b"")
    rack.bind_at(memory, outer.root)
    try:
        found = physical_devices(volume_of(os.fsencode(inner.root)))
        assert not found.is_ram
        assert found.devices == physical_devices(volume_of(os.fsencode(rack.folder))).devices
    finally:
        mounts.unmount(outer.root)
        inner.close()


def test_image_on_a_subvolume(rack: Rack) -> None:
    outer = rack.volume(BTRFS, size_bytes=256 << 20)
    mounts.run(["btrfs", "subvolume", "create", os.fspath(outer.root / "images")])
    inner = rack.volume(EXT4, name="inner", inside=outer.root / "images")
    other = outer.root / "images" / "other.img"
    shutil.copy(inner.image, other)
    try:
        volume = volume_of(os.fsencode(inner.root))
        below = physical_devices(volume_of(os.fsencode(rack.folder)))
        assert physical_devices(volume).devices == below.devices
        # A subvolume's number is in no mount table, so only the path is left, and it is verified.
        misled = PhysicalReader(tree=Misled(named=os.fsencode(other)))
        assert not misled.of(volume).disks
    finally:
        inner.close()


@dataclass(frozen=True, slots=True)
class Misled(BlockTree):
    """A machine whose sysfs names another file than the one behind the loop device."""

    named: bytes = b""

    def backing_file(self, device: str) -> bytes:
        return self.named


class Closed(BlockTree):
    """A machine whose loop devices this user may not open."""

    def loop_file(self, device: str) -> None:
        return None


def test_image_that_cannot_be_verified_is_not_known(rack: Rack) -> None:
    volume = volume_of(os.fsencode(rack.volume(EXT4).root))
    identities = DiskIdentities(is_guest=False)
    found = PhysicalReader(tree=Closed(), identities=identities).of(volume)
    assert not found.is_known
    assert found.devices > physical_devices(volume_of(os.fsencode(rack.folder))).devices


def test_btrfs_lies_on_all_its_devices(rack: Rack) -> None:
    first = rack.volume(BTRFS, is_mounted=False)
    second = rack.volume(BTRFS, is_mounted=False)
    memory = rack.tmpfs("memory", 160 << 20)
    third = rack.volume(BTRFS, is_mounted=False, inside=memory)
    for made in (first, second, third):
        made.attach()
    nodes = [first.device, second.device, third.device]
    try:
        mounts.run(["mkfs.btrfs", "-q", "-f", "-d", "single", "-m", "raid1", *nodes])
        mounts.run(["btrfs", "device", "scan", *nodes])
        first.mount()
        found = physical_devices(volume_of(os.fsencode(first.root)))
        assert set(found.counters) == {device_number(os.fsencode(node)) for node in nodes}
        assert found.is_ram
        first.unmount()
        mounts.run(["btrfs", "device", "scan", "--forget", *nodes])
    finally:
        first.close()
        third.close()


def test_subvolume_lies_on_the_same_devices(rack: Rack) -> None:
    made = rack.volume(BTRFS)
    mounts.run(["btrfs", "subvolume", "create", os.fspath(made.root / "rolls")])
    whole, part = (volume_of(os.fsencode(p)) for p in (made.root, made.root / "rolls"))
    # One mounting, though a subvolume has a device number of its own (stat).
    assert os.stat(made.root).st_dev != os.stat(made.root / "rolls").st_dev
    assert part.mount_id == whole.mount_id
    other = rack.folder / "mounted" / "sub"
    other.mkdir()
    mounts.run(["mount", "-o", "subvol=rolls", made.device, os.fspath(other)])
    try:
        found = volume_of(os.fsencode(other))
        assert found.root == b"/rolls"
        assert physical_devices(found).devices == physical_devices(whole).devices
    finally:
        mounts.unmount(other)


def test_overlay_lies_on_upper_and_lower(rack: Rack) -> None:
    lower, upper = rack.volume(EXT4, name="low:er,1"), rack.volume(EXT4, name="upper")
    for name in ("up", "work"):
        (upper.root / name).mkdir()
    place = rack.folder / "mounted" / "over"
    place.mkdir()
    escaped = os.fspath(lower.root).replace(":", "\\:").replace(",", "\\,")
    options = f"lowerdir={escaped},upperdir={upper.root}/up,workdir={upper.root}/work"
    mounts.run(["mount", "-t", "overlay", "overlay", "-o", options, os.fspath(place)])
    try:
        found = physical_devices(volume_of(os.fsencode(place)))
        below = physical_devices(volume_of(os.fsencode(rack.folder)))
        assert found.devices == below.devices
    finally:
        mounts.unmount(place)


def test_overlay_over_memory_is_memory(rack: Rack) -> None:
    lower, memory = rack.volume(EXT4), rack.tmpfs("memory", 1 << 20)
    for name in ("up", "work"):
        (memory / name).mkdir()
    place = rack.folder / "mounted" / "over"
    place.mkdir()
    options = f"lowerdir={lower.root},upperdir={memory}/up,workdir={memory}/work"
    mounts.run(["mount", "-t", "overlay", "overlay", "-o", options, os.fspath(place)])
    try:
        assert physical_devices(volume_of(os.fsencode(place))).is_ram
    finally:
        mounts.unmount(place)


def test_partition_lies_on_the_disk_of_its_image(rack: Rack) -> None:
    made = rack.volume(EXT4, is_mounted=False, size_bytes=64 << 20)
    made.attach()
    mounts.run(["addpart", made.device, "1", "2048", "65536"])
    node = Path(f"{made.device}p1")
    place = rack.folder / "mounted" / "part"
    place.mkdir()
    try:
        mounts.run(["mkfs.ext4", "-q", os.fspath(node)])
        mounts.run(["mount", os.fspath(node), os.fspath(place)])
        found = physical_devices(volume_of(os.fsencode(place)))
        assert found.counters == (device_number(os.fsencode(node)),)
        assert found.devices == physical_devices(volume_of(os.fsencode(rack.folder))).devices
    finally:
        if mounts.is_mounted(place):
            mounts.unmount(place)
        mounts.run(["delpart", made.device, "1"])


def test_image_files_have_lanes_of_their_own(rack: Rack) -> None:
    one, two = (volume_of(os.fsencode(rack.volume(EXT4).root)) for _ in range(2))
    assert not lane_devices(one) & lane_devices(two)
    bound = volume_of(os.fsencode(rack.bind(Path(os.fsdecode(one.mount_point)), "bound")))
    assert lane_devices(bound) == lane_devices(one)


def test_system_disk_is_the_one_below_root(rack: Rack) -> None:
    assert is_system_disk(volume_of(b"/"))
    # An image file on the system disk is a volume of its own.
    assert not is_system_disk(volume_of(os.fsencode(rack.volume(EXT4).root)))
