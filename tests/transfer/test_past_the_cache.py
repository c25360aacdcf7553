"""The proving pass reads the device and not a memory of what was written.

Each test changes the backing image under a mounted file system after the copy is synced: a plain
reading is answered from memory and sees nothing (shown first, so that the test can fail), the
proving pass must see it or must say ``cached``.
"""

import os
from pathlib import Path

import pytest

from offload.storage import evidence
from offload.transfer.readings import Outcome
from offload.values.facts import ReadBack
from tests.lab.images import ALL, EXFAT, EXT4, FileSystem, Rack
from tests.transfer.passes import Medium, Passes, Target, medium_of

LARGE = b"A001C001.mov"
SMALL = b"sidecar.xml"


def make_card(folder: Path) -> Path:
    card = folder / "card"
    card.mkdir()
    # Noise does not compress, so that a compressing file system has its full length on the disk.
    (card / os.fsdecode(LARGE)).write_bytes(os.urandom(3_000_000))
    (card / os.fsdecode(SMALL)).write_bytes(os.urandom(70_000))
    return card


@pytest.mark.lab
@pytest.mark.parametrize("fs", ALL, ids=lambda fs: fs.name)
@pytest.mark.parametrize("name", [LARGE, SMALL], ids=["large", "small"])
def test_changed_content_is_seen(rack: Rack, tmp_path: Path, fs: FileSystem, name: bytes) -> None:
    card = make_card(tmp_path)
    volume = rack.volume(fs)
    medium = medium_of(volume.device, is_fuse=fs.is_fuse)
    passes = Passes.of(card, [(volume.root, Target("shuttle-1", b"A001", medium, fs.kind))])
    try:
        passes.copy()
        assert passes.prove()["shuttle-1"].read_back is ReadBack.DEVICE
        assert set(passes.prove()["shuttle-1"].outcomes) == {Outcome.EQUAL}

        copy = volume.root / "A001" / os.fsdecode(name)
        original = (card / os.fsdecode(name)).read_bytes()
        assert copy.read_bytes() == original
        volume.flip(copy, 50_000)
        assert copy.read_bytes() == original, "memory was expected to hide the change"

        result = passes.prove()["shuttle-1"]
        number = passes.number(name)
        assert result.outcomes[number] in (Outcome.DIFFERS, Outcome.UNREADABLE), (
            "the change on the device was not seen"
        )
        assert [f.path for f in result.findings] == [b"A001/" + name]
    finally:
        passes.close()


@pytest.mark.lab
@pytest.mark.parametrize("fs", ALL, ids=lambda fs: fs.name)
def test_changed_card_is_seen_by_its_second_reading(
    rack: Rack, tmp_path: Path, fs: FileSystem
) -> None:
    volume = rack.volume(fs)
    card = make_card(tmp_path)
    for entry in card.iterdir():
        (volume.root / entry.name).write_bytes(entry.read_bytes())
    volume.sync()
    medium = medium_of(volume.device, is_fuse=fs.is_fuse)
    drive = tmp_path / "drive"
    drive.mkdir()
    passes = Passes.of(volume.root, [(drive, Target("shuttle-1", b"A001", Medium(), "ext4"))])
    try:
        passes.copy()
        first = passes.prove(card_medium=medium)["card"]
        assert first.read_back is ReadBack.DEVICE
        assert {first.outcomes[passes.number(n)] for n in (LARGE, SMALL)} == {Outcome.EQUAL}
        (volume.root / "A001C001.mov").read_bytes()
        volume.flip(volume.root / "A001C001.mov", 1_000_000)
        second = passes.prove(card_medium=medium)["card"]
        assert second.outcomes[passes.number(LARGE)] in (Outcome.DIFFERS, Outcome.UNREADABLE)
    finally:
        passes.close()


@pytest.mark.lab
@pytest.mark.parametrize("fs", [EXT4, EXFAT], ids=lambda fs: fs.name)
def test_without_dropping_pages_the_reading_is_called_cached(
    rack: Rack, tmp_path: Path, fs: FileSystem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the safeguard taken out the evidence itself must deny: pages that stayed are seen."""
    volume = rack.volume(fs)
    medium = medium_of(volume.device, is_fuse=fs.is_fuse)
    target = Target("shuttle-1", b"A001", medium, fs.kind)
    passes = Passes.of(make_card(tmp_path), [(volume.root, target)])
    try:
        passes.copy()
        for entry in (volume.root / "A001").iterdir():
            entry.read_bytes()
        monkeypatch.setattr(evidence, "forget_pages", lambda fd: None)
        result = passes.prove()["shuttle-1"]
        assert set(result.outcomes) == {Outcome.EQUAL_CACHED}
    finally:
        passes.close()


@pytest.mark.lab
def test_user_space_file_system_is_cached_when_its_device_is_not_flushed(
    rack: Rack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The driver reads the block device through that device's own cache."""
    volume = rack.volume(EXFAT)
    target = Target("shuttle-1", b"A001", medium_of(volume.device, is_fuse=True), "fuseblk")
    passes = Passes.of(make_card(tmp_path), [(volume.root, target)])
    try:
        passes.copy()
        passes.prove()
        # It claims to have flushed and has not: then the read counter must deny.
        monkeypatch.setattr(evidence, "_flush", lambda node: True)
        assert passes.prove()["shuttle-1"].read_back is ReadBack.CACHED
        # It was not allowed to flush.
        monkeypatch.setattr(evidence, "_flush", lambda node: False)
        assert passes.prove()["shuttle-1"].read_back is ReadBack.CACHED
    finally:
        passes.close()


@pytest.mark.lab
def test_memory_is_never_a_device(rack: Rack, tmp_path: Path) -> None:
    root = rack.tmpfs("ram", 32 << 20)
    target = Target("ram", b"A001", Medium(is_ram=True), "tmpfs")
    passes = Passes.of(make_card(tmp_path), [(root, target)])
    try:
        passes.copy()
        assert passes.prove()["ram"].read_back is ReadBack.CACHED
    finally:
        passes.close()


@pytest.mark.lab
def test_pages_held_by_another_program_are_no_evidence(rack: Rack, tmp_path: Path) -> None:
    """A viewer that has a clip mapped keeps its pages in memory."""
    import mmap

    volume = rack.volume(EXT4)
    medium = medium_of(volume.device, is_fuse=False)
    target = Target("shuttle-1", b"A001", medium, "ext4")
    passes = Passes.of(make_card(tmp_path), [(volume.root, target)])
    try:
        passes.copy()
        with open(volume.root / "A001" / os.fsdecode(LARGE), "rb") as clip:
            held = mmap.mmap(clip.fileno(), 0, access=mmap.ACCESS_READ)
            assert sum(held[::4096]) >= 0  # every page is touched
            result = passes.prove()["shuttle-1"]
            held.close()
        assert result.outcomes[passes.number(LARGE)] == Outcome.EQUAL_CACHED
        assert result.outcomes[passes.number(SMALL)] == Outcome.EQUAL
    finally:
        passes.close()
