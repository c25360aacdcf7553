"""Real file systems, mounted: what the table, the physical devices and the flags say of them."""

import os
import shutil
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from offload.volumes import mount_ids
from offload.volumes.block_tree import BlockTree, device_number, read_counter_bytes
from offload.volumes.dirty import Closing, read_device_state, read_state
from offload.volumes.disk_identity import DiskIdentities
from offload.volumes.linux_devices import LinuxDevices
from offload.volumes.linux_physical import PhysicalReader
from offload.volumes.linux_table import LinuxTable
from offload.volumes.mount_ids import has_unique_ids, unique_id_of
from offload.volumes.mountinfo import read_rows
from offload.volumes.physical import is_system_disk, lane_devices, physical_devices
from offload.volumes.places import is_bare_place
from offload.volumes.table import is_mounted, read_volumes, volume_of
from offload.volumes.volume import Volume, VolumeError
from tests.lab import blocks, mounts
from tests.lab.images import BTRFS, EXFAT, EXT4, NTFS, XFS, FileSystem, Rack
from tests.volumes.fake_sysfs import FakeSysfs

pytestmark = pytest.mark.lab


def listed(place: Path) -> list[Volume]:
    return [v for v in read_volumes() if v.mount_point == os.fsencode(place)]


@pytest.fixture
def open_root(rack: Rack) -> Iterator[tuple[Rack, int]]:
    """A mounted ext4 and a descriptor of its root."""
    made = rack.volume(EXT4, name="card")
    fd = os.open(made.root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield rack, fd
    finally:
        os.close(fd)


@pytest.mark.parametrize("fs", [EXT4, XFS, BTRFS, EXFAT, NTFS], ids=lambda fs: str(fs.name))
def test_label_id_and_room_of_each_kind(rack: Rack, fs: FileSystem) -> None:
    made = rack.volume(fs, label="A001")
    found = volume_of(os.fsencode(made.root))
    assert found.mount_point == os.fsencode(made.root)
    assert found.label == "A001"
    assert found.volume_id
    assert found.capacity_bytes
    assert 0 < found.capacity_bytes <= made.image.stat().st_size
    assert found.free_bytes is not None
    assert 0 < found.free_bytes <= found.capacity_bytes
    assert found.device_node == os.fsencode(made.device)
    assert not found.is_read_only
    assert listed(made.root) == [found]


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


def test_label_with_escape_codes_is_text(rack: Rack) -> None:
    made = rack.volume(EXFAT, label="A\x1b[1m1 é")
    assert volume_of(os.fsencode(made.root)).label == "A\x1b[1m1 é"


def test_mount_point_with_blank_and_newline(rack: Rack) -> None:
    root = rack.tmpfs("A001 [x]\n\\040", 1 << 20)
    assert [v.fs_type for v in listed(root)] == ["tmpfs"]
    assert volume_of(os.fsencode(root)).mount_point == os.fsencode(root)


@pytest.mark.parametrize(
    ("options", "read_only", "stamps"),
    [((), False, True), (("noatime",), False, False), ((), True, False)],
    ids=["default", "noatime", "ro"],
)
def test_whether_reading_stamps_the_card(
    rack: Rack, options: tuple[str, ...], read_only: bool, stamps: bool
) -> None:
    made = rack.volume(EXT4, is_mounted=False)
    made.mount(read_only=read_only, options=options)
    found = volume_of(os.fsencode(made.root))
    assert found.updates_access_times is stamps
    assert found.is_read_only is read_only


def test_read_only_bind_of_a_writable_file_system(rack: Rack) -> None:
    made = rack.volume(EXT4)
    bound = rack.bind(made.root, "bound")
    mounts.run(["mount", "-o", "remount,bind,ro", os.fspath(bound)])
    assert volume_of(os.fsencode(bound)).is_read_only
    assert not volume_of(os.fsencode(made.root)).is_read_only


def test_bind_mount_is_the_same_device_and_another_mounting(rack: Rack) -> None:
    made = rack.volume(EXT4)
    (made.root / "DCIM").mkdir()
    bound = volume_of(os.fsencode(rack.bind(made.root / "DCIM", "bound")))
    plain = volume_of(os.fsencode(made.root))
    assert bound.root == b"/DCIM"
    assert bound.device == plain.device
    assert bound.volume_id == plain.volume_id
    assert bound.mount_id != plain.mount_id
    assert physical_devices(bound).devices == physical_devices(plain).devices


def test_mounting_anew_has_another_id(rack: Rack) -> None:
    # The kernel gives a unique id since Linux 6.8 (statx(2)); this test needs such a one.
    assert has_unique_ids()
    made = rack.volume(EXT4)
    ids = {volume_of(os.fsencode(made.root)).mount_id}
    names: set[str] = set()
    for _ in range(5):
        made.remount()
        found = volume_of(os.fsencode(made.root))
        assert found.is_mount_id_unique
        assert is_mounted(found)
        ids.add(found.mount_id)
        names.add(found.mounting)
    assert len(ids) == 6
    assert len(names) == 5


@pytest.mark.parametrize("is_unique", [True, False])
def test_mounting_that_left_is_told_by_its_id(rack: Rack, is_unique: bool) -> None:
    made = rack.volume(EXT4)
    (row,) = [r for r in read_rows() if r.mount_point == os.fsencode(made.root)]
    before = volume_of(os.fsencode(made.root))
    if not is_unique:
        before = replace(before, mount_id=row.mount_id, is_mount_id_unique=False)
    assert is_mounted(before)
    with (made.root / "held").open("wb"):
        made.unmount_lazy()
        assert not is_mounted(before)


def test_ids_of_table_and_descriptor_agree(open_root: tuple[Rack, int]) -> None:
    rack, fd = open_root
    (by_table,) = listed(rack.folder / "mounted" / "card")
    assert by_table.mount_id == unique_id_of(fd) == volume_of(fd).mount_id


def test_descriptor_survives_mounting_over_it(open_root: tuple[Rack, int]) -> None:
    rack, fd = open_root
    root = rack.folder / "mounted" / "card"
    before = volume_of(fd)
    other = rack.volume(EXT4, name="other")
    rack.bind_at(other.root, root)
    assert volume_of(fd).mount_id == before.mount_id
    assert volume_of(fd).is_covered
    assert volume_of(os.fsencode(root)).mount_id != before.mount_id
    assert sorted(v.is_covered for v in listed(root)) == [False, True]


def test_descriptor_of_a_volume_that_left(open_root: tuple[Rack, int]) -> None:
    rack, fd = open_root
    mounts.unmount_lazy(rack.folder / "mounted" / "card")
    with pytest.raises(VolumeError, match="no longer mounted"):
        volume_of(fd)


def test_empty_folder_after_unmounting_is_another_volume(rack: Rack) -> None:
    made = rack.volume(EXT4)
    mounted = volume_of(os.fsencode(made.root))
    made.unmount()
    bare = volume_of(os.fsencode(made.root))
    assert bare.mount_id != mounted.mount_id
    assert bare.mount_id == volume_of(os.fsencode(rack.folder)).mount_id


def test_file_system_that_does_not_answer_holds_nobody_up(rack: Rack) -> None:
    made = rack.volume(EXFAT)
    well = rack.volume(EXT4)
    server = mounts.serving_process(made.device)
    table = LinuxTable(answer_s=0.2)
    os.kill(server, signal.SIGSTOP)
    try:
        for _ in range(3):
            found = {v.mount_point: v for v in read_volumes(table)}
            assert not found[os.fsencode(made.root)].is_answering
            assert found[os.fsencode(made.root)].capacity_bytes is None
            assert found[os.fsencode(well.root)].is_answering
        with pytest.raises(VolumeError, match="does not answer"):
            volume_of(os.fsencode(made.root / "DCIM"), table)
    finally:
        os.kill(server, signal.SIGCONT)
    deadline = time.monotonic() + 10
    while not volume_of(os.fsencode(made.root)).is_answering:
        assert time.monotonic() < deadline, "it is never asked again"


def test_folder_without_its_drive_is_bare(rack: Rack) -> None:
    made = rack.volume(EXT4)
    (made.root / "footage").mkdir()
    places = [os.fsencode(made.root.parent)]
    folder = os.fsencode(made.root / "footage")
    assert not is_bare_place(folder, volume_of(folder), places)
    made.unmount()
    assert is_bare_place(os.fsencode(made.root), volume_of(os.fsencode(made.root)), places)
    elsewhere = os.fsencode(rack.folder)
    assert not is_bare_place(elsewhere, volume_of(elsewhere), places)


def test_path_that_is_not_there(rack: Rack) -> None:
    with pytest.raises(VolumeError, match="no such file"):
        volume_of(os.fsencode(rack.folder / "nowhere"))


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


def test_row_of_a_mount_that_left_tells_no_room(rack: Rack) -> None:
    made = rack.volume(EXT4)
    rows = read_rows()
    made.unmount()
    (stale,) = [
        v
        for v in LinuxTable(read_rows=lambda: rows).read()
        if v.mount_point == os.fsencode(made.root)
    ]
    # Its path leads to the system disk by now, whose room is another's.
    assert stale.capacity_bytes is None
    assert not stale.is_answering


def test_number_given_anew_is_not_the_same_mounting(
    open_root: tuple[Rack, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, fd = open_root
    known = mount_ids.unique_ids()
    assert volume_of(fd)
    monkeypatch.setattr(mount_ids, "unique_ids", lambda: {k: v + 1 for k, v in known.items()})
    with pytest.raises(VolumeError, match="no longer mounted"):
        volume_of(fd)


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


def test_name_of_a_mounting_holds_over_a_restart(rack: Rack) -> None:
    # Unique ids begin anew with each start (linux/fs/namespace.c counts from 2^31), so the name of
    # the start belongs to it: random(4), boot_id.
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    found = volume_of(os.fsencode(rack.volume(EXT4).root))
    assert found.mounting == f"{boot}/{found.mount_id}"


def test_volume_pulled_without_unmounting_has_left(rack: Rack) -> None:
    made, sysfs = rack.volume(EXT4), FakeSysfs(rack.folder / "sys")
    found = volume_of(os.fsencode(made.root))
    table = LinuxTable(devices=LinuxDevices(BlockTree(str(sysfs.root))))
    sysfs.disk(found.device, "devices/virtual/block/loop9")
    assert table.is_mounted(found)
    assert found.mount_point in [m.mount_point for m in table.mountings()]
    (sysfs.root / "dev/block" / found.device).unlink()
    assert not table.is_mounted(found)
    assert found.mount_point not in [m.mount_point for m in table.mountings()]
    # Where nothing is told of block devices, nothing is known to have left.
    blind = LinuxTable(devices=LinuxDevices(BlockTree(os.fspath(rack.folder / "none"))))
    assert blind.is_mounted(found)


def test_image_files_have_lanes_of_their_own(rack: Rack) -> None:
    one, two = (volume_of(os.fsencode(rack.volume(EXT4).root)) for _ in range(2))
    assert not lane_devices(one) & lane_devices(two)
    bound = volume_of(os.fsencode(rack.bind(Path(os.fsdecode(one.mount_point)), "bound")))
    assert lane_devices(bound) == lane_devices(one)


def test_system_disk_is_the_one_below_root(rack: Rack) -> None:
    assert is_system_disk(volume_of(b"/"))
    # An image file on the system disk is a volume of its own.
    assert not is_system_disk(volume_of(os.fsencode(rack.volume(EXT4).root)))


def test_flag_of_a_card_pulled_while_mounted(rack: Rack) -> None:
    made = rack.volume(EXFAT)
    (made.root / "A001.mov").write_bytes(b"x" * 100_000)
    made.sync()
    pulled = rack.snapshot(made, "pulled")
    # exFAT specification 3.1.13: bit 1 of the volume flags, at offset 106.
    assert pulled.image.read_bytes()[106] == 0x02
    before = pulled.image_hash()
    pulled.mount(read_only=True)
    state = read_state(volume_of(os.fsencode(pulled.root)))
    pulled.unmount()
    assert state.closing is Closing.NOT_CLEAN
    assert pulled.image_hash() == before


def test_flag_says_nothing_while_mounted_for_writing(rack: Rack) -> None:
    made = rack.volume(EXFAT)
    assert read_state(volume_of(os.fsencode(made.root))).closing is Closing.UNKNOWN
    made.unmount()
    assert read_device_state(os.fsencode(made.image)).closing is Closing.CLEAN


def test_flag_of_ntfs(rack: Rack) -> None:
    made = rack.volume(NTFS, is_mounted=False)
    image = os.fsencode(made.image)
    assert read_device_state(image).closing is Closing.CLEAN
    # Version 3.1 and no flag: the whole volume information, in the table and in its mirror.
    places = blocks.places(made.image, bytes.fromhex("000000000000000003010000"))
    for place in places:
        blocks.flip(made.image, place + 10, 0x01)
    with pytest.raises(mounts.LabError, match="scheduled for check"):
        mounts.run(["ntfsinfo", "-m", os.fspath(made.image)])
    assert read_device_state(image).closing is Closing.NOT_CLEAN


def test_flag_of_every_fat_kind(tmp_path: Path) -> None:
    mounts.require_tools("mkfs.vfat")
    for width, flag_at, entry in ((12, 37, 0), (16, 37, 2), (32, 65, 4)):
        image = tmp_path / f"fat{width}.img"
        with image.open("wb") as file:
            file.truncate((4 if width == 12 else 64) << 20)
        mounts.run(["mkfs.vfat", "-F", str(width), os.fspath(image)])
        assert read_device_state(os.fsencode(image)).closing is Closing.CLEAN
        _set(image, flag_at, 0x01)
        assert read_device_state(os.fsencode(image)).closing is Closing.NOT_CLEAN
        if not entry:
            continue
        _clear(image, flag_at, 0x01)
        # FAT general overview 1.03: bit 15 or 27 of the second entry is clear after a crash.
        data = image.read_bytes()
        table = int.from_bytes(data[11:13], "little") * int.from_bytes(data[14:16], "little")
        _clear(image, table + 2 * entry - 1, 0x80 if width == 16 else 0x08)
        assert read_device_state(os.fsencode(image)).closing is Closing.NOT_CLEAN


def test_flag_of_garbage_is_unknown(tmp_path: Path) -> None:
    image = tmp_path / "x.img"
    for head in (b"", b"\0" * 512, b"\xeb\x52\x90NTFS    " + b"\xff" * 600, os.urandom(4096)):
        image.write_bytes(head)
        assert read_device_state(os.fsencode(image)).closing is Closing.UNKNOWN
    assert read_device_state(os.fsencode(tmp_path / "none")).closing is Closing.UNKNOWN


def _set(image: Path, at: int, mask: int) -> None:
    data = bytearray(image.read_bytes())
    data[at] |= mask
    image.write_bytes(data)


def _clear(image: Path, at: int, mask: int) -> None:
    data = bytearray(image.read_bytes())
    data[at] &= ~mask & 0xFF
    image.write_bytes(data)
