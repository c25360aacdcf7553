"""What file systems say of how they were left, on real images."""

import os
from pathlib import Path

import pytest

from offload.volumes.dirty import Closing, read_device_state, read_state
from offload.volumes.table import volume_of
from tests.lab import blocks, mounts
from tests.lab.images import EXFAT, NTFS, Rack

pytestmark = pytest.mark.lab


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
