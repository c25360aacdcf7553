"""What the counters of devices must have grown by, and when every file is asked for it."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.storage.evidence import Evidence, Medium
from offload.storage.extents import fetched_at_least
from offload.storage.root import Root
from offload.values.facts import ReadBack

BLOCK = 4096
DISK = Medium(block_devices=("8:1",))


def judged(
    grown: int, fetched: dict[str, int], least: Callable[[str], int], medium: Medium = DISK
) -> set[ReadBack]:
    """What a pass says after which the one device's counter has grown by ``grown`` bytes."""
    counter = {"8:1": 1000}
    evidence = Evidence(dict.fromkeys(fetched, medium), counter.get)
    evidence.begin()
    counter["8:1"] += grown
    for key, count in fetched.items():
        evidence.fetched(key, count)
    return set(evidence.judge(least).values())


def not_asked(key: str) -> int:
    raise AssertionError(f"the files of {key} were asked one by one")


def test_whole_sizes_reached_asks_no_file() -> None:
    assert judged(300, {"a": 100, "b": 200}, not_asked) == {ReadBack.DEVICE}


def test_holes_are_not_expected_from_the_device() -> None:
    least = {"a": 60, "b": 200}
    assert judged(260, {"a": 100, "b": 200}, least.__getitem__) == {ReadBack.DEVICE}


def test_fewer_than_the_least_is_cached() -> None:
    least = {"a": 60, "b": 200}
    assert judged(259, {"a": 100, "b": 200}, least.__getitem__) == {ReadBack.CACHED}


def test_the_least_never_asks_for_more_than_was_read() -> None:
    assert judged(100, {"a": 100}, lambda key: 4096) == {ReadBack.DEVICE}


def test_without_a_device_no_file_is_asked() -> None:
    assert judged(0, {"a": 100}, not_asked, Medium()) == {ReadBack.CACHED}
    assert judged(0, {"a": 100}, not_asked, Medium(is_server=True)) == {ReadBack.SERVER}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "whole.mov").write_bytes(os.urandom(3 * BLOCK))
    with (tmp_path / "holes.mov").open("wb") as out:
        out.truncate(1 << 20)
        out.seek(1 << 20)
        out.write(os.urandom(BLOCK))
        os.fsync(out.fileno())
    os.sync()
    return tmp_path


def test_holes_count_for_nothing(folder: Path) -> None:
    files = [(b"whole.mov", 3 * BLOCK), (b"holes.mov", (1 << 20) + BLOCK)]
    with Root(os.fsencode(folder)) as root:
        least = fetched_at_least(root, files, sum(size for _, size in files))
    assert least == 4 * BLOCK


def test_a_file_that_is_gone_counts_whole(folder: Path) -> None:
    with Root(os.fsencode(folder)) as root:
        assert fetched_at_least(root, [(b"gone.mov", 7 * BLOCK)], 7 * BLOCK) == 7 * BLOCK


def test_what_was_read_in_part_counts(folder: Path) -> None:
    with Root(os.fsencode(folder)) as root:
        assert fetched_at_least(root, [(b"whole.mov", 3 * BLOCK)], 5 * BLOCK) == 5 * BLOCK
