"""A drive that falls silent while it is read back, and another one on the same device.

The device's counter cannot say for whom it grew: what the silent drive fetched must not pass for
what the other one should have.
"""

import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.transfer.counters import Lane, Pass
from offload.transfer.proving import prove_all
from offload.transfer.readings import Outcome, Reading, ReadingResult
from offload.values.facts import ReadBack
from offload.volumes.silence import Silence

CLIP = b"A001C001.mov"
FOOTAGE = os.urandom(300_000)
DEVICE = "8:16"
SILENT, OTHER = "server", "shuttle-1"


class Digests:
    """Nothing is expected: whatever is read whole is equal (``may_share``)."""

    def get(self, name: str, number: int, /) -> bytes | None:
        return None


@pytest.fixture
def hung() -> Iterator[threading.Event]:
    event = threading.Event()
    yield event
    event.set()


def prove(tmp_path: Path, hung: threading.Event, fetched: int) -> dict[str, ReadingResult]:
    """Read both; the device fetches so many bytes meanwhile, and one of them falls silent."""
    readings = []
    for name in (SILENT, OTHER):
        (tmp_path / name).mkdir()
        (tmp_path / name / os.fsdecode(CLIP)).write_bytes(FOOTAGE)
        root = Root(os.fsencode(tmp_path / name))
        medium = Medium((DEVICE,))
        reading = Reading(name, root, medium, lambda _: CLIP, [0], lambda _: False, may_share=True)
        readings.append(reading)
    # It hangs once it has read the whole file.
    readings[0] = replace(readings[0], take=lambda *_: hung.wait())
    counts = iter([0])

    def silence_of(name: str) -> Silence:
        return Silence(hung.wait, 0.5) if name == SILENT else Silence(lambda: None, 60.0)

    try:
        return prove_all(
            readings,
            Digests(),
            lambda _: len(FOOTAGE),
            Pass("proving", Lane(""), {name: Lane(name) for name in (SILENT, OTHER)}),
            1,
            read_counter=lambda _: next(counts, fetched),
            is_stopped=lambda: False,
            silence_of=silence_of,
        )
    finally:
        for reading in readings:
            reading.root.close()


def test_what_the_silent_one_fetched_vouches_for_no_other(
    tmp_path: Path, hung: threading.Event
) -> None:
    results = prove(tmp_path, hung, len(FOOTAGE))
    assert results[SILENT].outcomes[0] == Outcome.UNREADABLE
    assert results[SILENT].read_back is ReadBack.NONE
    assert results[OTHER].read_back is ReadBack.CACHED


def test_other_one_is_proven_where_the_device_fetched_enough_for_both(
    tmp_path: Path, hung: threading.Event
) -> None:
    results = prove(tmp_path, hung, 2 * len(FOOTAGE))
    assert results[OTHER].read_back is ReadBack.DEVICE
