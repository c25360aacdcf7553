"""The reader's bounds, and how findings are kept."""

import os

import pytest

from offload.media.reading import (
    BoundedReader,
    BudgetError,
    BytesReader,
    DescriptorReader,
    EndOfFileError,
)
from offload.media.structure import Findings, StructureReport, StructureTrack, TrackKind
from offload.values.clips import ClipCode, Complete, Container, Weight


class _Counting:
    """A reader that notes what it was asked for."""

    def __init__(self, size: int) -> None:
        self.asked: list[tuple[int, int]] = []
        self._size = size

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        self.asked.append((offset, length))
        return bytes(length)


def test_descriptor_is_read_by_position(tmp_path):
    path = tmp_path / "A001C001.mov"
    path.write_bytes(bytes(range(256)) * 10)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        reader = DescriptorReader(descriptor)
        assert reader.size == 2560
        assert reader.read_at(254, 4) == b"\xfe\xff\x00\x01"
        assert reader.read_at(2558, 100) == b"\xfe\xff"
        # The descriptor's own position is its owner's and does not move.
        assert os.lseek(descriptor, 0, os.SEEK_CUR) == 0
    finally:
        os.close(descriptor)


def test_neighbouring_heads_cost_one_read():
    counting = _Counting(10_000)
    reader = BoundedReader(counting)
    for at in range(0, 400, 16):
        reader.read_at(at, 16)
    assert len(counting.asked) == 1


def test_nothing_is_asked_behind_the_end():
    counting = _Counting(100)
    reader = BoundedReader(counting)
    assert reader.read_at(100, 10) == b""
    assert reader.read_at(-1, 10) == b""
    assert len(reader.read_at(90, 50)) == 10
    assert all(offset + length <= 100 for offset, length in counting.asked)


def test_missing_bytes_are_told_with_their_place():
    reader = BoundedReader(BytesReader(bytes(10)))
    assert reader.need(2, 8) == bytes(8)
    with pytest.raises(EndOfFileError) as caught:
        reader.need(4, 7)
    assert caught.value.offset == 4


def test_budget_ends_reading():
    counting = _Counting(1 << 30)
    reader = BoundedReader(counting)
    with pytest.raises(BudgetError):
        for at in range(0, 1 << 30, 1 << 20):
            reader.read_at(at, 1 << 20)
    assert 64 << 20 <= reader.bytes_read <= (64 << 20) + (1 << 26)


def test_one_read_is_never_huge():
    reader = BoundedReader(_Counting(1 << 40), is_unlimited=True)
    with pytest.raises(BudgetError):
        reader.read_at(0, 1 << 30)


def test_steps_end():
    reader = BoundedReader(BytesReader(b""))
    with pytest.raises(BudgetError):
        reader.step(1 << 40)


def test_many_findings_of_a_kind_become_a_number():
    findings = Findings(b"A001C001.mov")
    for at in range(1000):
        findings.add(ClipCode.DAMAGED, "essence-head", f"picture {at}", at)
    findings.notice(ClipCode.UNEVEN, "frame-durations", "a picture lasts long")
    result = findings.result()
    assert len(result) == 8
    assert result[6].text == "and 994 more of this kind"
    assert findings.has(ClipCode.DAMAGED)
    assert not findings.has(ClipCode.UNEVEN), "a notice keeps nothing"


@pytest.mark.parametrize(
    ("code", "weight", "complete"),
    [
        (ClipCode.CUT_SHORT, Weight.HOLD, Complete.NO),
        (ClipCode.UNCHECKED, Weight.HOLD, Complete.UNKNOWN),
        (ClipCode.UNEVEN, Weight.NOTICE, Complete.YES),
        (ClipCode.DAMAGED, Weight.NOTE, Complete.YES),
        (ClipCode.OPAQUE, Weight.NOTICE, Complete.YES),
    ],
)
def test_answer_follows_from_the_findings(code, weight, complete):
    findings = Findings(b"a.mov")
    findings.add(code, "some-check", "text", weight=weight)
    track = StructureTrack(TrackKind.PICTURE)
    report = StructureReport(Container.MOV, tracks=(track,), findings=findings.result())
    assert report.complete is complete


def test_what_nobody_looked_into_is_unknown():
    assert StructureReport(Container.UNKNOWN).complete is Complete.UNKNOWN
