"""macOS, on recorded answers of our own in the form of diskutil(8) and system_profiler(8).

Never run on the real system; key names are from memory.
"""

import json
import plistlib
from collections.abc import Sequence

import pytest

from offload.volumes.commands import Outcome
from offload.volumes.diskutil import DiskutilTable, MacMount, parse_plist
from offload.volumes.mac_physical import MacPhysical
from offload.volumes.servers import Servers
from offload.volumes.volume import Volume, VolumeError

MOUNTS = (
    MacMount(b"/dev/disk3s1s1", b"/", "apfs", (b"ro", b"local", b"rootfs")),
    MacMount(b"devfs", b"/dev", "devfs", (b"rw",)),
    MacMount(b"/dev/disk4s1", b"/Volumes/A001", "exfat", (b"rw", b"local", b"noatime")),
    MacMount(b"/dev/disk5s2", b"/Volumes/shuttle-1", "apfs", (b"rw", b"local")),
    MacMount(b"//dit@nas/footage", b"/Volumes/footage", "smbfs", (b"rw",)),
)
NUMBERS = {b"/dev/disk3s1s1": "1:13", b"/dev/disk4s1": "1:17", b"/dev/disk5s2": "1:20"}


def disk(name: str, bus: str, **more: object) -> dict[str, object]:
    return {
        "DeviceIdentifier": name,
        "ParentWholeDisk": name.partition("s1")[0].partition("s2")[0],
        "BusProtocol": bus,
        "VirtualOrPhysical": "Physical",
        **more,
    }


INFO: dict[str, dict[str, object]] = {
    "/": disk("disk3s1s1", "Fabric", APFSPhysicalStores=[{"APFSPhysicalStore": "disk0s2"}]),
    "disk0s2": disk("disk0s2", "Fabric", Internal=True),
    "disk0": disk("disk0", "Fabric", Internal=True),
    "/dev/disk4s1": disk(
        "disk4s1", "USB", VolumeName="A001\u202e[b]", VolumeUUID="6BF7-F305", MediaName="Reader"
    ),
    "disk4": disk("disk4", "USB"),
    "/dev/disk5s2": disk(
        "disk5s2",
        "USB",
        VolumeName="shuttle-1",
        APFSPhysicalStores=[{"APFSPhysicalStore": "disk6s2"}],
    ),
    "disk6s2": disk("disk6s2", "USB"),
    "disk6": disk("disk6", "USB"),
    "/dev/disk7s1": disk("disk7s1", "USB"),
    "disk7": disk("disk7", "USB"),
    "/dev/disk8s1": disk("disk8s1", "Disk Image"),
    "disk8": {**disk("disk8", "Disk Image"), "VirtualOrPhysical": "Virtual"},
    "/dev/disk9s1": disk("disk9s1", "USB"),
    "disk9": disk("disk9", "USB"),
}
USB = {
    "SPUSBDataType": [
        {
            "_name": "bus",
            "_items": [
                {"_name": "hub", "_items": [
                    {"location_id": "0x02110000 / 4", "serial_num": "S1", "vendor_id": "0x1d6b",
                     "product_id": "0x0104", "Media": [{"bsd_name": "disk4"}]},
                    {"location_id": "0x02120000 / 5", "serial_num": "S2", "vendor_id": "0x1d6b",
                     "product_id": "0x0104",
                     "Media": [{"bsd_name": "disk6"}, {"bsd_name": "disk7"}]},
                ]},
            ],
        }
    ]
}  # fmt: skip


class RecordedMac:
    """Answers commands as one machine would."""

    def __init__(self, *, is_guest: bool = False) -> None:
        self.is_guest = is_guest

    def __call__(self, command: Sequence[str | bytes], timeout_s: float) -> Outcome:
        if command[0] == "system_profiler":
            return Outcome(0, json.dumps(USB).encode())
        if command[0] == "sysctl":
            return Outcome(0, b"1\n" if self.is_guest else b"0\n")
        if command[1] == "list":
            return Outcome(0, plistlib.dumps({"WholeDisks": ["disk0", "disk4", "disk6"]}))
        info = INFO.get(str(command[-1]))
        return Outcome(0, plistlib.dumps(info)) if info else Outcome(1, b"")


def table() -> DiskutilTable:
    return DiskutilTable(
        lambda: MOUNTS, RecordedMac(), lambda node: NUMBERS.get(node, ""), lambda _: (1000, 400)
    )


def physical(volume: Volume, *, is_guest: bool = False) -> MacPhysical:
    return MacPhysical(
        RecordedMac(is_guest=is_guest), Servers(lambda _: ["10.0.0.7"], lambda: ["10.0.0.2"], "/x")
    )


def on(node: bytes) -> Volume:
    return Volume(b"/m", node, "exfat", (), False, "1:1", 1, False, device_node=node)


def of(node: bytes, *, is_guest: bool = False):  # type: ignore[no-untyped-def]
    return physical(on(node), is_guest=is_guest).of(on(node))


def test_card_with_all_that_is_known_of_it() -> None:
    volumes = {v.mount_point: v for v in table().read()}
    assert b"/dev" not in volumes
    card = volumes[b"/Volumes/A001"]
    assert (card.label, card.volume_id) == ("A001\u202e[b]", "6BF7-F305")
    assert (card.capacity_bytes, card.free_bytes) == (1000, 400)
    assert (card.bus, card.model, card.device) == ("usb", "Reader", "1:17")
    assert not card.updates_access_times
    assert not card.is_mount_id_unique
    assert volumes[b"/"].is_read_only


def test_place_mounted_over_is_covered() -> None:
    over = MacMount(b"/dev/disk5s2", b"/Volumes/A001", "apfs", (b"rw",))
    known = DiskutilTable(
        lambda: (*MOUNTS, over), RecordedMac(), lambda n: NUMBERS.get(n, ""), lambda _: (1, 1)
    )
    covered = [v.is_covered for v in known.read() if v.mount_point == b"/Volumes/A001"]
    assert covered == [True, False]


def test_path_that_is_on_no_listed_volume() -> None:
    with pytest.raises(VolumeError):
        table().of_path(b"/")


@pytest.mark.parametrize("output", [b"", b"not a list", b"<plist><array/></plist>", b"\xff\xfe"])
def test_answer_that_is_no_list_tells_nothing(output: bytes) -> None:
    assert parse_plist(output) == {}


def test_apfs_lies_on_its_physical_store() -> None:
    found = of(b"/dev/disk5s2")
    assert found.disks == {"disk6"}
    assert found.counters == ("disk6",)
    assert found.is_separate_from(of(b"/dev/disk4s1"))


def test_two_units_behind_one_bridge_are_not_separate() -> None:
    assert of(b"/dev/disk7s1").is_known
    assert not of(b"/dev/disk7s1").is_separate_from(of(b"/dev/disk5s2"))


@pytest.mark.parametrize("node", [b"/dev/disk8s1", b"/dev/disk9s1", b"/dev/disk99s1"])
def test_image_unseen_bridge_and_unknown_disk_are_not_known(node: bytes) -> None:
    assert not of(node).is_known


def test_disks_of_a_guest_are_not_known() -> None:
    assert not of(b"/dev/disk4s1", is_guest=True).is_known


def test_share_lies_on_its_server() -> None:
    (share,) = [v for v in table().read() if v.is_network]
    found = physical(share).of(share)
    assert found.devices == {"server:10.0.0.7"}
    assert found.is_known


def test_system_disk_is_the_one_below_root() -> None:
    volumes = {v.mount_point: v for v in table().read()}
    asked = physical(volumes[b"/"])
    assert asked.is_system_disk(volumes[b"/"])
    assert asked.is_system_disk(on(b"disk0s2"))
    assert not asked.is_system_disk(volumes[b"/Volumes/A001"])
