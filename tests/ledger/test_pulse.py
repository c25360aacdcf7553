"""Pulses: what was written is read, and nothing that lies there does harm."""

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.ledger import pulse
from offload.ledger.pulse import DrivePulse, Pulse

ONE = Pulse(
    7,
    10**18,
    4711,
    roll="A001",
    step="copying",
    done_bytes=71_200_000_000,
    total_bytes=118_400_000_000,
    rate_bytes_s=402e6,
    left_s=120,
    verdict_ns=10**18 + 1,
    drives=(DrivePulse("shuttle-1", "copying", 5, 10, 402e6, -1.0, "slowest"),),
)


@pytest.fixture
def home(tmp_path: Path) -> bytes:
    return bytes(tmp_path)


def place(home: bytes, content: bytes) -> Path:
    path = Path(os.fsdecode(home)) / "pulses" / "7.json"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    return path


def test_pulse_is_read_as_it_was_written(home: bytes) -> None:
    assert pulse.write(home, ONE)
    assert pulse.read(home, 7) == ONE
    assert pulse.read_all(home) == (ONE,)


def test_removed_pulse_is_gone(home: bytes) -> None:
    pulse.write(home, ONE)
    pulse.remove(home, 7)
    pulse.remove(home, 7)
    assert pulse.read(home, 7) is None
    assert pulse.read_all(home) == ()


def test_run_goes_on_where_no_pulse_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "pulses").write_text("in the way")
    assert pulse.write(bytes(tmp_path), ONE) is False
    assert pulse.read(bytes(tmp_path), 7) is None


def as_json(**changes: object) -> bytes:
    text = {"offload": 7, "at_ns": 1, "pid": 1, "drives": [], **changes}
    return json.dumps(text).encode()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff",
        b"[" * 60_000,
        b"[]",
        b"null",
        as_json(offload=8),
        as_json(pid="1"),
        as_json(pid=True),
        as_json(rate_bytes_s=None),
        as_json(left_s=float("nan")),
        as_json(left_s=float("inf")),
        as_json(unknown=1),
        as_json(drives=3),
        as_json(drives=[1]),
        as_json(drives=[{"name": 3}]),
        as_json(note="x" * 70_000),
    ],
    ids=range(17),
)
def test_damaged_or_foreign_pulse_is_none(home: bytes, content: bytes) -> None:
    place(home, content)
    assert pulse.read(home, 7) is None
    assert pulse.read_all(home) == ()


def test_reading_a_pulse_reads_no_more_than_its_bound(home: bytes) -> None:
    path = place(home, b"")
    with path.open("r+b") as file:
        file.truncate(1 << 40)
    assert pulse.read(home, 7) is None


def test_pipe_in_place_of_a_pulse_blocks_nobody(home: bytes) -> None:
    path = place(home, b"")
    path.unlink()
    os.mkfifo(path)
    assert pulse.read(home, 7) is None


def test_more_drives_than_anyone_has_are_cut_off(home: bytes) -> None:
    drives = [{"name": f"d{number}"} for number in range(500)]
    place(home, as_json(drives=drives))
    found = pulse.read(home, 7)
    assert found is not None
    assert len(found.drives) == 64


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_are_a_pulse_or_none(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    home = bytes(tmp_path_factory.getbasetemp())
    place(home, content)
    assert pulse.read(home, 7) is None


def test_reader_never_sees_half_a_pulse(home: bytes) -> None:
    pulse.write(home, ONE)
    for number in range(200):
        pulse.write(home, Pulse(7, number, 1, note="x" * number))
        found = pulse.read(home, 7)
        assert found is not None
        assert len(found.note) == found.at_ns
