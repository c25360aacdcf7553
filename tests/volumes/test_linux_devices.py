"""What is told of a device: database, list, probe, each filling what the others left open."""

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from offload.volumes.block_tree import BlockTree
from offload.volumes.commands import Outcome
from offload.volumes.linux_devices import DeviceFacts, LinuxDevices, parse_lsblk
from tests.volumes.fake_sysfs import FakeSysfs

# Form of udev(7)'s database as kept below /run/udev/data; values our own.
DATABASE = """\
S:disk/by-uuid/6BF7-F305
E:ID_FS_LABEL=A001__1m
E:ID_FS_LABEL_ENC=A001\\x20\\x1b[1m\\xff
E:ID_FS_UUID_ENC=6BF7-F305
G:systemd
"""


@pytest.fixture
def sysfs(tmp_path: Path) -> FakeSysfs:
    made = FakeSysfs(tmp_path / "sys")
    made.usb("8:0", "sda", "2-1", "6:0:0:0", "S100")
    return made


class Answers:
    """Recorded answers of commands by name."""

    def __init__(self, **answers: bytes) -> None:
        self.answers = answers
        self.asked: list[str] = []

    def __call__(self, command: Sequence[str | bytes], timeout_s: float) -> Outcome:
        name = str(command[0])
        self.asked.append(name)
        found = self.answers.get(name)
        return Outcome(-1) if found is None else Outcome(0, found)


class Noded(BlockTree):
    """A machine whose device nodes are all there."""

    def node(self, device: str) -> bytes:
        return b"/dev/sda" if device == "8:0" else b""


def devices(sysfs: FakeSysfs, answers: Answers, database: str = "/nowhere") -> LinuxDevices:
    return LinuxDevices(Noded(str(sysfs.root)), answers, database)


def listed(**columns: object) -> bytes:
    return json.dumps({"blockdevices": [{"maj:min": "8:0", **columns}]}).encode()


def test_database_tells_label_and_id(sysfs: FakeSysfs, tmp_path: Path) -> None:
    (tmp_path / "b8:0").write_text(DATABASE)
    answers = Answers()
    found = devices(sysfs, answers, str(tmp_path)).facts(["8:0"])["8:0"]
    assert found.label == "A001 \x1b[1m\udcff"
    assert found.volume_id == "6BF7-F305"
    assert "blkid" not in answers.asked


def test_list_fills_what_the_database_left_open(sysfs: FakeSysfs) -> None:
    answers = Answers(lsblk=listed(label="A001", uuid="6BF7-F305", model="Reader ", vendor="V"))
    found = devices(sysfs, answers).facts(["8:0"])["8:0"]
    assert (found.label, found.volume_id, found.model) == ("A001", "6BF7-F305", "V Reader")
    assert "blkid" not in answers.asked


def test_probe_tells_where_no_device_manager_runs(sysfs: FakeSysfs) -> None:
    answers = Answers(blkid=b"ID_FS_LABEL_ENC=A\\x20B\nID_FS_UUID_ENC=11-22\n", lsblk=listed())
    found = devices(sysfs, answers).facts(["8:0"])["8:0"]
    assert (found.label, found.volume_id) == ("A B", "11-22")


def test_reader_and_bus_of_a_usb_device(sysfs: FakeSysfs) -> None:
    found = devices(sysfs, Answers()).facts(["8:0"])["8:0"]
    assert found.bus == "usb"
    assert found.reader == "Bridge at USB 2-1"


def test_device_that_left_tells_nothing(sysfs: FakeSysfs) -> None:
    assert devices(sysfs, Answers()).facts(["8:99"]) == {"8:99": DeviceFacts()}


def test_one_list_for_all_devices(sysfs: FakeSysfs) -> None:
    answers = Answers(lsblk=listed(uuid="1"))
    devices(sysfs, answers).facts(["8:0", "8:0", "8:99"])
    assert answers.asked == ["lsblk"]


@pytest.mark.parametrize(
    "output",
    [b"", b"[]", b"{", b'{"blockdevices": 3}', b'{"blockdevices": [3, {"maj:min": 4}]}', b"\xff"],
)
def test_answer_that_is_no_list_tells_nothing(output: bytes) -> None:
    assert parse_lsblk(output) == {}
