"""Many small files: a window of them is open at a time, and each still has its own outcome."""

import contextlib
import os
from pathlib import Path

import pytest

from offload.values.facts import CardState, CopyState
from tests.transfer.passes import Outcome, Passes, Target

COUNT = 100


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """Frames of unequal sizes with one large file and one empty one among them."""
    folder = tmp_path / "card"
    folder.mkdir()
    for at in range(COUNT):
        size = {40: 3 << 20, 41: 0}.get(at, 1000 + 37 * at)
        (folder / f"frame_{at:04}.dpx").write_bytes(os.urandom(size))
    return folder


def open_below(folder: Path) -> list[str]:
    """What is open below a folder; a thread that another test left behind is none of it."""
    held = []
    for each in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):
            held.append(os.fspath(each.readlink()))
    return sorted(path for path in held if path.startswith(f"{folder}/"))


def passes_of(card: Path, tmp_path: Path) -> Passes:
    drive = tmp_path / "drive"
    drive.mkdir()
    return Passes.of(card, [(drive, Target("shuttle-1", b"A001"))], checksums=("xxh128",))


def test_every_file_of_the_window_is_copied_equal(card: Path, tmp_path: Path) -> None:
    passes = passes_of(card, tmp_path)
    before = open_below(tmp_path)
    copied = passes.copy()
    assert open_below(tmp_path) == before
    assert set(copied.card_states) == {CardState.READ_EQUAL}
    assert set(copied.drive_states["shuttle-1"]) == {CopyState.WRITTEN}
    proven = passes.prove()["shuttle-1"]
    assert set(proven.outcomes) == {Outcome.EQUAL}
    assert open_below(tmp_path) == before
    for source in card.iterdir():
        assert (tmp_path / "drive" / "A001" / source.name).read_bytes() == source.read_bytes()
    passes.close()


def test_one_bad_file_in_the_window_is_alone(card: Path, tmp_path: Path) -> None:
    passes = passes_of(card, tmp_path)
    os.utime(card / "frame_0010.dpx", ns=(1, 1))
    (card / "frame_0011.dpx").unlink()
    copied = passes.copy()
    bad = {10: CardState.CHANGED, 11: CardState.UNREADABLE}
    for number in range(COUNT):
        assert copied.card_states[number] == bad.get(number, CardState.READ_EQUAL)
    assert not (tmp_path / "drive" / "A001" / "frame_0010.dpx").exists()
    passes.close()


def test_proving_tells_each_file_of_the_window_apart(card: Path, tmp_path: Path) -> None:
    passes = passes_of(card, tmp_path)
    passes.copy()
    copy = tmp_path / "drive" / "A001"
    flipped = bytearray((copy / "frame_0005.dpx").read_bytes())
    flipped[7] ^= 1
    (copy / "frame_0005.dpx").write_bytes(flipped)
    (copy / "frame_0006.dpx").unlink()
    (copy / "frame_0007.dpx").write_bytes(b"short")
    os.link(copy / "frame_0008.dpx", tmp_path / "again")
    outcomes = passes.prove()["shuttle-1"].outcomes
    expected = {
        5: Outcome.DIFFERS,
        6: Outcome.MISSING,
        7: Outcome.DIFFERS,
        8: Outcome.SHARED,
    }
    for number in range(COUNT):
        assert outcomes[number] == expected.get(number, Outcome.EQUAL), number
    passes.close()


def test_stopping_in_the_middle_leaves_no_descriptor_and_no_half_file(
    card: Path, tmp_path: Path
) -> None:
    passes = passes_of(card, tmp_path)
    before = open_below(tmp_path)
    asked = iter(range(120))
    copied = passes.copy(is_stopped=lambda: next(asked, None) is None)
    assert copied.is_stopped
    assert open_below(tmp_path) == before
    done = [number for number in range(COUNT) if copied.card_states[number]]
    assert 0 < len(done) < COUNT
    for item in passes.items:
        path = tmp_path / "drive" / "A001" / item.path.decode()
        assert path.exists() == (item.number in done)
        if path.exists():
            assert path.read_bytes() == (card / item.path.decode()).read_bytes()
    passes.close()
