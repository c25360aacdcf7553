"""Real file systems, mounted: what the table says of them, and which mounting is which."""

import os
import signal
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from offload.volumes import mount_ids
from offload.volumes.block_tree import BlockTree
from offload.volumes.linux_devices import LinuxDevices
from offload.volumes.linux_table import LinuxTable
from offload.volumes.mount_ids import has_unique_ids, unique_id_of
from offload.volumes.mountinfo import read_rows
from offload.volumes.physical import physical_devices
from offload.volumes.places import is_bare_place
from offload.volumes.table import is_mounted, read_volumes, volume_of
from offload.volumes.volume import Volume, VolumeError
from tests.lab import mounts
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
    deadline = time.monotonic() + 60
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
