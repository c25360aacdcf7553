"""When a FAT says that it was formatted, on images made by mkfs.vfat (dosfstools)."""

import os
import time
from datetime import datetime
from pathlib import Path

import pytest

from offload.volumes.fat_label import read_device_format_time, read_format_time
from offload.volumes.table import volume_of
from tests.lab import mounts
from tests.lab.images import EXFAT, Rack

SIZES = {12: 4, 16: 64, 32: 64}
HOUR_NS = 3_600_000_000_000


def _image(folder: Path, width: int, *options: str) -> Path:
    image = folder / f"fat{width}.img"
    with image.open("wb") as file:
        file.truncate(SIZES[width] << 20)
    mounts.require_tools("mkfs.vfat")
    mounts.run(["mkfs.vfat", "-F", str(width), *options, os.fspath(image)])
    return image


def _read(image: Path) -> int | None:
    return read_device_format_time(os.fsencode(image))


@pytest.mark.parametrize("width", SIZES)
def test_named_volume_tells_when_it_was_made(tmp_path: Path, width: int) -> None:
    told = _read(_image(tmp_path, width, "-n", "NF_A001"))
    assert told is not None
    # Somebody's local time: within a day of this moment, whatever the zone.
    assert abs(told - time.time_ns()) < 15 * HOUR_NS


def test_time_of_the_label_is_read_and_no_other(tmp_path: Path) -> None:
    image = _image(tmp_path, 32, "-n", "NF_A001")
    data = bytearray(image.read_bytes())
    at = data.index(b"NF_A001    \x08")
    # FAT general overview 1.03: seconds by two, minutes, hours; day, month, years from 1980.
    data[at + 22 : at + 26] = (14 << 11 | 32 << 5 | 4).to_bytes(2, "little") + (
        46 << 9 | 11 << 5 | 24
    ).to_bytes(2, "little")
    # A deleted label and a part of a long name stand in front.
    gone = b"\xe5" + data[at + 1 : at + 32]
    part = b"A" + bytes(10) + b"\x0f" + bytes(20)
    label = bytes(data[at : at + 32])
    data[at : at + 96] = gone + part + label
    image.write_bytes(data)
    told = _read(image)
    assert told == int(datetime.fromisoformat("2026-11-24T14:32:08+00:00").timestamp()) * 10**9


@pytest.mark.parametrize("width", SIZES)
def test_volume_without_label_says_nothing(tmp_path: Path, width: int) -> None:
    assert _read(_image(tmp_path, width)) is None


@pytest.mark.parametrize(
    "content", [b"", b"x" * 100, os.urandom(70_000)], ids=["0", "100", "noise"]
)
def test_what_is_no_fat_says_nothing(tmp_path: Path, content: bytes) -> None:
    image = tmp_path / "other.img"
    image.write_bytes(content)
    assert _read(image) is None
    assert _read(tmp_path / "absent.img") is None


@pytest.mark.lab
def test_exfat_says_nothing(rack: Rack) -> None:
    made = rack.volume(EXFAT)
    assert read_format_time(volume_of(os.fsencode(made.root))) is None
