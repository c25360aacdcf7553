"""Separate drives are worked out from what lies below, on machines that are not here."""

from pathlib import Path

import pytest

from offload.volumes.block_tree import BlockTree, read_counter_bytes
from offload.volumes.disk_identity import DiskIdentities
from offload.volumes.linux_physical import PhysicalReader, is_linux_system_disk
from offload.volumes.linux_table import LinuxTable
from offload.volumes.mountinfo import MountRow
from offload.volumes.physical import Physical
from offload.volumes.servers import Servers
from offload.volumes.volume import Volume
from tests.volumes.fake_sysfs import PCI, FakeSysfs

ATA1 = f"{PCI}/ata1"
ATA2 = f"{PCI}/ata2"


@pytest.fixture
def sysfs(tmp_path: Path) -> FakeSysfs:
    return FakeSysfs(tmp_path / "sys")


def volume(device: str, fs_type: str = "ext4", source: bytes = b"", *options: bytes) -> Volume:
    return Volume(b"/m", source, fs_type, options, False, device, 1, True)


def physical(sysfs: FakeSysfs, asked: Volume, *, is_guest: bool = False) -> Physical:
    tree = BlockTree(str(sysfs.root), "/nowhere")
    servers = Servers(lambda name: [name], lambda: ["10.0.0.2"], "/nowhere")
    table = LinuxTable(read_rows=lambda: ())
    return PhysicalReader(table, tree, DiskIdentities(tree, is_guest), servers).of(asked)


def test_two_sata_disks_are_separate(sysfs: FakeSysfs) -> None:
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    sysfs.scsi("8:16", "sdb", ATA2, "1:0:0:0")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert "disk:8:0" in one.devices
    assert one.counters == ("8:0",)
    assert one.is_separate_from(two)


def test_two_partitions_of_one_disk_are_not(sysfs: FakeSysfs) -> None:
    disk = sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    sysfs.partition("8:1", disk, 1)
    sysfs.partition("8:2", disk, 2)
    one, two = physical(sysfs, volume("8:1")), physical(sysfs, volume("8:2"))
    assert one.is_known
    assert "disk:8:0" in one.devices & two.devices
    assert not one.is_separate_from(two)
    assert one.counters == ("8:1",)


def test_two_usb_drives_are_separate(sysfs: FakeSysfs) -> None:
    sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "S100")
    sysfs.usb("8:16", "sdb", "2-2", "7:0:0:0", "S200")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert one.is_separate_from(two)


def test_two_units_of_one_usb_enclosure_are_not(sysfs: FakeSysfs) -> None:
    sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "S100")
    sysfs.scsi("8:16", "sdb", f"{PCI}/usb2/2-1/2-1:1.0", "6:0:0:1")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert not one.is_separate_from(two)


def test_two_bridges_in_one_usb_device_are_not(sysfs: FakeSysfs) -> None:
    sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "")
    sysfs.scsi("8:16", "sdb", f"{PCI}/usb2/2-1/2-1:1.1", "7:0:0:0")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert one.is_known
    assert not one.is_separate_from(two)


def test_same_usb_serial_is_one_enclosure(sysfs: FakeSysfs) -> None:
    sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "S100")
    sysfs.usb("8:16", "sdb", "2-2", "7:0:0:0", "S100")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert not one.is_separate_from(two)


def test_serial_of_zeros_names_nothing(sysfs: FakeSysfs) -> None:
    sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "000000000000")
    sysfs.usb("8:16", "sdb", "2-2", "7:0:0:0", "000000000000")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert one.is_separate_from(two)


def test_one_disk_under_a_new_number_is_still_one(sysfs: FakeSysfs) -> None:
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0", wwid="naa.5000c500a1b2c3d4")
    sysfs.scsi("8:16", "sdb", ATA2, "1:0:0:0", wwid="naa.5000c500a1b2c3d4")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert not one.is_separate_from(two)


def test_two_disks_behind_a_port_multiplier_are_not_separate(sysfs: FakeSysfs) -> None:
    sysfs.scsi("8:0", "sda", f"{ATA1}/link1.0", "0:0:0:0")
    sysfs.scsi("8:16", "sdb", f"{ATA1}/link1.1", "0:1:0:0")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert not one.is_separate_from(two)


def test_two_namespaces_of_one_nvme_unit_are_not_separate(sysfs: FakeSysfs) -> None:
    unit = f"{PCI}/nvme/nvme0"
    for number in (1, 2):
        folder = sysfs.disk(f"259:{number}", f"{unit}/nvme0n{number}")
        (folder / "device").symlink_to("..")
    one, two = physical(sysfs, volume("259:1")), physical(sysfs, volume("259:2"))
    assert one.is_known
    assert not one.is_separate_from(two)


def test_controller_that_hides_its_disks_is_not_known(sysfs: FakeSysfs) -> None:
    sysfs.scsi("8:0", "sda", PCI, "0:2:0:0")
    sysfs.scsi("8:16", "sdb", PCI, "0:2:1:0")
    one, two = physical(sysfs, volume("8:0")), physical(sysfs, volume("8:16"))
    assert not one.is_known
    assert not one.is_separate_from(two)
    assert "controller" in one.reason


@pytest.mark.parametrize("way", [ATA1, f"{PCI}/host0/port-0:1/end_device-0:1"])
def test_disks_of_a_guest_are_not_known(sysfs: FakeSysfs, way: str) -> None:
    sysfs.scsi("8:0", "sda", way, "0:0:0:0")
    assert physical(sysfs, volume("8:0")).is_known
    assert not physical(sysfs, volume("8:0"), is_guest=True).is_known


def test_mapper_and_raid_lie_on_their_members(sysfs: FakeSysfs) -> None:
    one = sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    two = sysfs.scsi("8:16", "sdb", ATA2, "1:0:0:0")
    part = sysfs.partition("8:17", two, 1)
    raid = sysfs.disk("9:0", "devices/virtual/block/md0")
    sysfs.members(raid, one, part)
    mapped = sysfs.disk("253:0", "devices/virtual/block/dm-0")
    sysfs.members(mapped, raid)
    found = physical(sysfs, volume("253:0"))
    assert {"disk:8:0", "disk:8:16"} <= found.devices
    assert found.is_known
    assert found.counters == ("253:0",)
    assert found.disks == {"8:0", "8:16"}
    assert not found.is_separate_from(physical(sysfs, volume("8:16")))


def test_mapper_without_members_is_not_known(sysfs: FakeSysfs) -> None:
    sysfs.disk("253:0", "devices/virtual/block/dm-0")
    assert not physical(sysfs, volume("253:0")).is_known


def test_members_in_a_circle_come_to_an_end(sysfs: FakeSysfs) -> None:
    one = sysfs.disk("253:0", "devices/virtual/block/dm-0")
    two = sysfs.disk("253:1", "devices/virtual/block/dm-1")
    sysfs.members(one, two)
    sysfs.members(two, one)
    assert not physical(sysfs, volume("253:0")).is_known


@pytest.mark.parametrize("name", ["zram0", "ram0"])
def test_disk_in_memory_never_counts(sysfs: FakeSysfs, name: str) -> None:
    sysfs.disk("252:0", f"devices/virtual/block/{name}")
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    found = physical(sysfs, volume("252:0"))
    assert found.is_ram
    assert not found.is_separate_from(physical(sysfs, volume("8:0")))


@pytest.mark.parametrize("fs_type", ["tmpfs", "ramfs"])
def test_file_system_in_memory_never_counts(sysfs: FakeSysfs, fs_type: str) -> None:
    assert physical(sysfs, volume("0:30", fs_type)).is_ram


@pytest.mark.parametrize("fs_type", ["fuse", "fuse.passthrough", "zfs", "never-heard-of"])
def test_other_kinds_are_not_known(sysfs: FakeSysfs, fs_type: str) -> None:
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    # A user-space file system names any source it likes.
    assert not physical(sysfs, volume("0:30", fs_type, b"/dev/sda")).is_known


def test_fuseblk_lies_on_its_device(sysfs: FakeSysfs) -> None:
    disk = sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "S100")
    sysfs.partition("8:1", disk, 1)
    found = physical(sysfs, volume("8:1", "fuseblk", b"/dev/sda1"))
    assert found.is_known
    assert found.counters == ("8:1",)


def test_device_that_has_gone_is_not_known(sysfs: FakeSysfs) -> None:
    assert not physical(sysfs, volume("8:99")).is_known


@pytest.mark.parametrize("name", ["nbd0", "rbd0", "drbd0"])
def test_block_device_of_another_machine_is_not_known(sysfs: FakeSysfs, name: str) -> None:
    sysfs.disk("43:0", f"devices/virtual/block/{name}")
    found = physical(sysfs, volume("43:0"))
    assert found.is_network
    assert not found.is_known


def test_two_shares_of_one_server_are_one_device(sysfs: FakeSysfs) -> None:
    one = physical(sysfs, volume("0:50", "nfs4", b"nas:/a", b"addr=10.0.0.7"))
    two = physical(sysfs, volume("0:51", "cifs", b"//other/b", b"addr=10.0.0.7"))
    three = physical(sysfs, volume("0:52", "nfs4", b"nas2:/c", b"addr=10.0.0.8"))
    assert one.is_network
    assert not one.is_separate_from(two)
    assert one.is_separate_from(three)


def test_two_addresses_of_one_network_card_are_one_device(sysfs: FakeSysfs) -> None:
    arp = "IP\n10.0.0.7 0x1 0x2 02:00:00:00:00:07 *\n10.0.0.8 0x1 0x2 02:00:00:00:00:07 *\n"
    sysfs.put(sysfs.root, "arp", arp)
    servers = Servers(lambda name: [name], lambda: [], str(sysfs.root / "arp"))
    reader = PhysicalReader(LinuxTable(read_rows=lambda: ()), servers=servers)
    one, two = (
        reader.of(volume("0:50", "nfs4", b"nas:/a", b"addr=10.0.0." + last))
        for last in (b"7", b"8")
    )
    assert one.is_known
    assert not one.is_separate_from(two)


def test_share_and_local_disk_are_separate(sysfs: FakeSysfs) -> None:
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    share = physical(sysfs, volume("0:50", "nfs4", b"10.0.0.7:/a"))
    assert share.is_separate_from(physical(sysfs, volume("8:0")))


@pytest.mark.parametrize("address", [b"127.0.0.1", b"10.0.0.2"])
def test_own_share_lies_on_the_own_disks(sysfs: FakeSysfs, address: bytes) -> None:
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    share = physical(sysfs, volume("0:50", "nfs4", b"x:/a", b"addr=" + address))
    assert "disk:8:0" in share.devices
    assert not share.is_known


def test_share_kept_on_a_local_disk_counts_as_that_disk(sysfs: FakeSysfs) -> None:
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    share = physical(sysfs, volume("0:50", "nfs4", b"10.0.0.7:/a", b"fsc"))
    assert not share.is_separate_from(physical(sysfs, volume("8:0")))


@pytest.mark.parametrize("fs_type", ["ceph", "lustre", "fuse.glusterfs", "virtiofs"])
def test_share_without_one_server_is_not_known(sysfs: FakeSysfs, fs_type: str) -> None:
    found = physical(sysfs, volume("0:50", fs_type, b"10.0.0.7:/a"))
    assert found.is_network
    assert not found.is_known


def test_system_disk_is_found_below_raid(sysfs: FakeSysfs) -> None:
    disk = sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    part = sysfs.partition("8:1", disk, 1)
    sysfs.partition("8:2", disk, 2)
    sysfs.usb("8:16", "sdb", "2-1", "6:0:0:0", "S100")
    raid = sysfs.disk("9:0", "devices/virtual/block/md0")
    sysfs.members(raid, part)
    root = MountRow(1, 0, "9:0", b"/", b"/", (), "ext4", b"/dev/md0", ())
    tree = BlockTree(str(sysfs.root))
    assert is_linux_system_disk(volume("8:2"), (root,), tree)
    assert not is_linux_system_disk(volume("8:16"), (root,), tree)


def test_counter_is_in_sectors_of_512(sysfs: FakeSysfs) -> None:
    # Worked example: block/stat.rst counts sectors of 512 bytes whatever the disk's own are.
    sysfs.scsi("8:0", "sda", ATA1, "0:0:0:0")
    sysfs.put(sysfs.root / "dev/block/8:0", "stat", "  85 0 3130 7 23 8 760 8 0 4 21")
    assert read_counter_bytes("8:0", str(sysfs.root)) == 3130 * 512
    assert read_counter_bytes("8:16", str(sysfs.root)) is None


def test_two_slots_of_one_reader_share_a_lane(sysfs: FakeSysfs) -> None:
    sysfs.usb("8:0", "sda", "2-1", "6:0:0:0", "S100")
    sysfs.scsi("8:16", "sdb", f"{PCI}/usb2/2-1/2-1:1.0", "6:0:0:1")
    sysfs.usb("8:32", "sdc", "2-2", "7:0:0:0", "S200")
    tree = BlockTree(str(sysfs.root))
    reader = PhysicalReader(tree=tree, identities=DiskIdentities(tree, False))
    one, two, three = (reader.lane(volume(number)) for number in ("8:0", "8:16", "8:32"))
    assert one & two
    assert not one & three
