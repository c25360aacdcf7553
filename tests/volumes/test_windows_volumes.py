"""Windows, on recorded answers written by ourselves; never run on the real system."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from offload.volumes.servers import Servers
from offload.volumes.volume import Volume, VolumeError
from offload.volumes.windows_answers import WindowsDisk, WindowsFacts, WindowsPlace
from offload.volumes.windows_volumes import WindowsTable

NAME = "\\\\?\\Volume{{00000000-0000-0000-0000-00000000000{}}}\\"
PLACES = (
    WindowsPlace("C:\\", NAME.format(1)),
    WindowsPlace("E:\\", NAME.format(2), drive_type=2),
    WindowsPlace("F:\\", NAME.format(3)),
    WindowsPlace("G:\\", NAME.format(4)),
    WindowsPlace("R:\\", NAME.format(5), drive_type=6),
    WindowsPlace("Z:\\", "", "\\\\nas\\footage", 4),
    WindowsPlace("Y:\\", "", "\\\\dead\\footage", 4),
)
DISKS = {
    NAME.format(1): (WindowsDisk(0, 17, "SSD", "N1"),),
    NAME.format(2): (WindowsDisk(1, 7, "Reader", "U1"),),
    NAME.format(3): (WindowsDisk(2, 11, "Disk", "D2"),),
    NAME.format(4): (WindowsDisk(2, 11, "Disk", "D2"), WindowsDisk(3, 11, "Disk", "D3")),
    NAME.format(5): (WindowsDisk(9, 14, "", ""),),
}


class RecordedCalls:
    """One machine's answers."""

    def places(self) -> Iterable[WindowsPlace]:
        return PLACES

    def facts(self, path: str) -> WindowsFacts:
        if path == "Y:\\":
            raise OSError(53, "network path not found")
        serial = 0x6BF7F300 + ord(path[0])
        read_only = 0x0008_0000 if path == "E:\\" else 0
        return WindowsFacts("A001", serial, read_only, "exFAT", 1000, 400)

    def disks(self, volume: str) -> tuple[WindowsDisk, ...]:
        return DISKS.get(volume, ())

    def place_of(self, path: str) -> str:
        return "e:\\"

    def system_place(self) -> str:
        return "C:\\"


@pytest.fixture
def table() -> WindowsTable:
    return WindowsTable(RecordedCalls(), Servers(lambda _: ["10.0.0.7"], lambda: [], "/x"))


def at(table: WindowsTable, path: bytes) -> Volume:
    return next(v for v in table.read() if v.mount_point == path)


def test_card_with_all_that_is_known_of_it(table: WindowsTable) -> None:
    card = at(table, b"E:\\")
    assert (card.label, card.fs_type, card.volume_id) == ("A001", "exfat", "6BF7-F345")
    assert card.is_read_only
    assert not card.updates_access_times
    assert (card.bus, card.model) == ("usb", "Reader")
    assert not card.is_mount_id_unique
    assert table.of_path(b"E:\\DCIM") == card
    assert table.is_mounted(card)
    assert not table.is_mounted(replace(card, source=b"another"))


def test_dead_share_is_listed_without_its_size(table: WindowsTable) -> None:
    dead = at(table, b"Y:\\")
    assert dead.is_network
    assert not dead.is_answering
    assert dead.capacity_bytes is None


def test_serial_number_tells_the_volume_of_a_descriptor(table: WindowsTable) -> None:
    with pytest.raises(VolumeError):
        table.of_fd(0)


def test_volumes_on_one_disk_are_not_separate(table: WindowsTable) -> None:
    one, two, system = (table.physical(at(table, p)) for p in (b"F:\\", b"G:\\", b"C:\\"))
    assert one.is_known
    assert not one.is_separate_from(two)
    assert one.is_separate_from(system)


@pytest.mark.parametrize("path", [b"E:\\", b"R:\\"])
def test_usb_and_memory_are_not_shown_to_be_separate(table: WindowsTable, path: bytes) -> None:
    system = table.physical(at(table, b"C:\\"))
    assert not table.physical(at(table, path)).is_separate_from(system)


def test_share_lies_on_its_server(table: WindowsTable) -> None:
    assert table.physical(at(table, b"Z:\\")).devices == {"server:10.0.0.7"}


def test_system_disk(table: WindowsTable) -> None:
    assert table.is_system_disk(at(table, b"C:\\"))
    assert not table.is_system_disk(at(table, b"F:\\"))
