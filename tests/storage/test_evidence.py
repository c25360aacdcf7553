"""What counts as read from the device: the counter's word, resident pages, flushed block devices.

Sources: posix_fadvise(2) (``DONTNEED`` drops clean pages that nobody has mapped), cachestat(2),
Linux ``Documentation/block/stat.rst`` (sectors read).
"""

import mmap
import os
from dataclasses import replace
from pathlib import Path

import pytest

from offload.storage import evidence, syscalls
from offload.storage.evidence import Evidence, Medium, drop_pages
from offload.values.facts import ReadBack
from tests.lab.images import EXFAT, EXT4, Rack

DEVICE, CACHED, SERVER = ReadBack.DEVICE, ReadBack.CACHED, ReadBack.SERVER


class Counters:
    """The read counters of a machine's devices, in bytes; None where one is not told."""

    def __init__(self, **told: int | None) -> None:
        self.told: dict[str, int | None] = dict(told)

    def __call__(self, device: str) -> int | None:
        return self.told.get(device)

    def grow(self, device: str, size_bytes: int) -> None:
        self.told[device] = (self.told[device] or 0) + size_bytes


def whole(key: str) -> int:
    return 1 << 60


def one(medium: Medium, grown: int | None, fetched: int = 1000) -> ReadBack:
    """How one root was read, after its counter has grown by so much (None: it is not told)."""
    counters = Counters(sda=None if grown is None else 5000)
    found = Evidence({"drive": medium}, counters)
    found.begin()
    if grown is not None:
        counters.grow("sda", grown)
    found.fetched("drive", fetched)
    return found.judge(whole)["drive"]


DISK = Medium(block_devices=("sda",))


@pytest.mark.parametrize(
    ("medium", "grown", "expected"),
    [
        pytest.param(DISK, 1000, DEVICE, id="grown-by-all"),
        pytest.param(DISK, 999, CACHED, id="a-byte-too-few"),
        pytest.param(DISK, 0, CACHED, id="not-grown"),
        pytest.param(DISK, None, CACHED, id="no-counter"),
        pytest.param(Medium(), 1000, CACHED, id="no-device-known"),
        pytest.param(Medium(is_mounted_anew=True), 0, DEVICE, id="no-device-but-mounted-anew"),
        pytest.param(replace(DISK, is_mounted_anew=True), 0, CACHED, id="counter-denies-anew"),
        pytest.param(replace(DISK, is_ram=True), 1000, CACHED, id="memory"),
        pytest.param(Medium(is_ram=True, is_mounted_anew=True), 0, CACHED, id="memory-anew"),
        pytest.param(replace(DISK, is_server=True), 1000, SERVER, id="server"),
        pytest.param(Medium(is_server=True, is_mounted_anew=True), 0, SERVER, id="server-anew"),
        pytest.param(
            replace(DISK, device_nodes=(b"/no/node",)), 1000, CACHED, id="device-not-flushed"
        ),
        pytest.param(
            replace(DISK, device_nodes=(b"/no/node",), is_mounted_anew=True),
            1000,
            DEVICE,
            id="not-flushed-but-mounted-anew",
        ),
    ],
)
def test_one_root(medium: Medium, grown: int | None, expected: ReadBack) -> None:
    assert one(medium, grown) is expected


def judge(
    media: dict[str, Medium], fetched: dict[str, int], grown: dict[str, int]
) -> dict[str, ReadBack]:
    counters = Counters(**dict.fromkeys(("sda", "sdb", "sdc"), 77))
    found = Evidence(media, counters)
    found.begin()
    for key, size in fetched.items():
        found.fetched(key, size)
    for device, size in grown.items():
        counters.grow(device, size)
    return found.judge(whole)


def test_two_roots_on_one_device_need_the_sum() -> None:
    """The card and a drive behind one device: one reading must not stand for two."""
    media = {"card": DISK, "drive": DISK}
    read = {"card": 600, "drive": 400}
    assert judge(media, read, {"sda": 999}) == {"card": CACHED, "drive": CACHED}
    assert judge(media, read, {"sda": 1000}) == {"card": DEVICE, "drive": DEVICE}


def test_roots_that_share_by_way_of_a_third_are_counted_together() -> None:
    media = {
        "one": Medium(block_devices=("sda",)),
        "two": Medium(block_devices=("sdb",)),
        "raid": Medium(block_devices=("sda", "sdb")),
    }
    read = {"one": 100, "two": 100, "raid": 100}
    assert set(judge(media, read, {"sda": 199, "sdb": 100}).values()) == {CACHED}
    assert set(judge(media, read, {"sda": 200, "sdb": 100}).values()) == {DEVICE}


def test_another_device_does_not_help() -> None:
    media = {"a": Medium(block_devices=("sda",)), "b": Medium(block_devices=("sdb",))}
    found = judge(media, {"a": 100, "b": 100}, {"sda": 5000})
    assert found == {"a": DEVICE, "b": CACHED}


def test_all_members_have_to_tell() -> None:
    raid = Medium(block_devices=("sda", "unknown"))
    assert judge({"raid": raid}, {"raid": 100}, {"sda": 5000}) == {"raid": CACHED}


def test_what_was_read_before_the_pass_does_not_count() -> None:
    counters = Counters(sda=0)
    found = Evidence({"drive": DISK}, counters)
    counters.grow("sda", 1000)
    found.begin()
    found.fetched("drive", 1000)
    assert found.judge(whole) == {"drive": CACHED}


def test_every_file_read_is_expected() -> None:
    counters = Counters(sda=0)
    found = Evidence({"drive": DISK}, counters)
    found.begin()
    for _ in range(10):
        found.fetched("drive", 100)
    counters.grow("sda", 999)
    assert found.judge(whole) == {"drive": CACHED}


# --- pages


@pytest.fixture
def clip(rack: Rack) -> Path:
    path = rack.volume(EXT4).root / "C1.mov"
    path.write_bytes(os.urandom(300_000))
    return path


def resident(path: Path) -> int:
    fd = os.open(path, os.O_RDONLY)
    try:
        return syscalls.resident_pages(fd, path.stat().st_size)
    finally:
        os.close(fd)


def dropped(path: Path, flags: int = os.O_RDWR) -> bool:
    fd = os.open(path, flags)
    try:
        return drop_pages(fd, path.stat().st_size)
    finally:
        os.close(fd)


@pytest.mark.lab
def test_dropped_pages_are_gone(clip: Path) -> None:
    os.sync()
    clip.read_bytes()
    assert resident(clip)
    assert dropped(clip)
    assert not resident(clip)


@pytest.mark.lab
def test_what_is_not_written_yet_is_written_and_then_dropped(clip: Path) -> None:
    clip.write_bytes(os.urandom(300_000))
    assert dropped(clip)
    assert not resident(clip)


@pytest.mark.lab
def test_pages_that_another_holds_are_no_evidence(clip: Path) -> None:
    """A player or a thumbnailer has the clip mapped: its pages stay, and that is said."""
    os.sync()
    with clip.open("rb") as out, mmap.mmap(out.fileno(), 0, prot=mmap.PROT_READ) as mapped:
        assert sum(mapped[:: mmap.PAGESIZE]) >= 0
        assert not dropped(clip)
        del mapped
    assert dropped(clip)


@pytest.mark.lab
def test_not_told_is_not_gone(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(fd: int, size_bytes: int) -> int:
        raise OSError(22, "not told")

    monkeypatch.setattr(syscalls, "resident_pages", refuses)
    assert not dropped(clip)


@pytest.mark.lab
@pytest.mark.parametrize("newest", [True, False], ids=["cachestat", "mincore"])
def test_both_ways_of_asking_see_the_same(
    clip: Path, monkeypatch: pytest.MonkeyPatch, newest: bool
) -> None:
    if not newest:

        def lacks(fd: int) -> int:
            raise OSError(38, "not there before Linux 6.5")

        monkeypatch.setattr(syscalls, "_cached_pages", lacks)
    os.sync()
    assert dropped(clip)
    assert resident(clip) == 0
    clip.read_bytes()
    assert resident(clip) == -(-300_000 // mmap.PAGESIZE)


@pytest.mark.lab
def test_without_a_word_pages_count_as_there(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(evidence, "forget_pages", lambda fd: None)
    os.sync()
    clip.read_bytes()
    assert not dropped(clip)


def test_an_empty_file_has_nothing_to_drop(tmp_path: Path) -> None:
    (tmp_path / "EMPTY.BIN").touch()
    assert dropped(tmp_path / "EMPTY.BIN")


# --- the device's own cache


@pytest.mark.lab
def test_a_drivers_device_is_emptied_before_the_pass(rack: Rack) -> None:
    """A change behind the cache of a block device is seen after the pass has begun, not before."""
    volume = rack.volume(EXFAT, is_mounted=False)
    volume.attach()
    node = os.fsencode(volume.device)
    at = 1 << 20

    def first_byte() -> bytes:
        fd = os.open(node, os.O_RDONLY)
        try:
            return os.pread(fd, 1, at)
        finally:
            os.close(fd)

    holder = os.open(node, os.O_RDONLY)
    try:
        old = first_byte()
        with volume.image.open("r+b") as image:
            image.seek(at)
            image.write(bytes([old[0] ^ 0xFF]))
            image.flush()
            os.fsync(image.fileno())
        assert first_byte() == old, "the device was expected to remember"
        Evidence({"drive": Medium(device_nodes=(node,))}, Counters()).begin()
        assert first_byte() == bytes([old[0] ^ 0xFF])
    finally:
        os.close(holder)


def test_asking_every_file_is_left_for_where_it_matters() -> None:
    asked: list[str] = []

    def least(key: str) -> int:
        asked.append(key)
        return 0

    counters = Counters(sda=0)
    found = Evidence({"drive": DISK}, counters)
    found.begin()
    found.fetched("drive", 10)
    counters.grow("sda", 10)
    found.judge(least)
    assert asked == []
