"""Every byte of a small record flipped in turn: nothing in it can change without a word."""

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_result import Answer, Verification
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.mhl.history import load_history
from offload.record.signature import Standing, judge
from tests.jobs.verify_scene import TRUSTED, Copies
from tests.record.plain_folder import PlainFolder


@pytest.fixture(scope="module")
def copies(tmp_path_factory: pytest.TempPathFactory) -> Copies:
    return Copies.make(tmp_path_factory.mktemp("record"), {"A001C001.mov": b"take 1"})


@pytest.fixture(scope="module")
def verify(copies: Copies) -> Callable[[], Verification]:
    """Thousands of verifications: the machine is asked once what is mounted."""
    real = Surroundings()
    fd = os.open(copies.drive, os.O_RDONLY)
    volume = real.volume_of(fd)
    os.close(fd)
    physical = real.physical(volume)
    surroundings = Surroundings(
        volumes=lambda: (volume,), volume_of=lambda fd: volume, physical=lambda volume: physical
    )
    wish = VerifyWish(os.fsencode(copies.drive))
    tools = VerifyTools(TRUSTED, surroundings)
    return lambda: verify_folder(wish, tools)


def flips(content: bytes, stride: int = 1) -> Iterator[tuple[int, bytes]]:
    """Bytes with one bit changed, another bit from byte to byte."""
    for at in range(0, len(content), stride):
        changed = bytearray(content)
        changed[at] ^= 1 << at // stride % 8
        yield at, bytes(changed)


@pytest.mark.parametrize(
    ("pattern", "stride"),
    [
        ("A001/ascmhl/ascmhl_chain.xml", 1),
        ("A001/ascmhl/0001_*.mhl", 7),
        ("A001/A001C001.mov", 1),
        ("records/A001/ascmhl_chain.xml.sig", 1),
        ("records/A001/0001_*.mhl.sig", 1),
        ("records/A001/A001.sha512", 1),
        ("records/A001/A001.sha512.sig", 1),
        ("records/A001/A001.xxh128", 1),
        ("records/A001/clearance-0001.json", 7),
        ("records/A001/clearance-0001.json.sig", 1),
    ],
)
def test_no_flipped_bit_goes_unnoticed(
    copies: Copies, verify: Callable[[], Verification], pattern: str, stride: int
) -> None:
    path: Path = next(copies.drive.glob(pattern))
    content = path.read_bytes()
    unnoticed = []
    try:
        for at, changed in flips(content, stride):
            path.write_bytes(changed)
            if verify().answer is Answer.AS_RECORDED:
                unnoticed.append(at)
    finally:
        path.write_bytes(content)
    assert unnoticed == []
    assert verify().answer is Answer.AS_RECORDED


def test_no_flipped_bit_of_a_manifest_leaves_the_history_whole(copies: Copies) -> None:
    content = copies.manifest.read_bytes()
    folder = PlainFolder(copies.roll)
    assert load_history(folder).faults == ()
    try:
        for _, changed in flips(content):
            copies.manifest.write_bytes(changed)
            assert [each.code for each in load_history(folder).faults] == ["manifest-changed"]
    finally:
        copies.manifest.write_bytes(content)


def test_no_flipped_bit_of_a_clearance_keeps_its_signature(copies: Copies) -> None:
    content = (copies.records / "clearance-0001.json").read_bytes()
    signature = (copies.records / "clearance-0001.json.sig").read_bytes()
    at = datetime.now(UTC)
    assert judge(content, signature, TRUSTED, at=at).is_good
    for _, changed in flips(content):
        assert judge(changed, signature, TRUSTED, at=at).standing is Standing.BAD
