"""Files count as written only after the sync that covers them, and a failed sync is final."""

import errno
import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.transfer import batch_syncer, drive_writer
from offload.transfer.batch_syncer import BatchSyncer
from offload.values.facts import CopyState
from tests.transfer.passes import Passes, Target

Sync = Callable[[int], None]


@pytest.fixture
def sync(monkeypatch: pytest.MonkeyPatch) -> Callable[[Sync], None]:
    """Sets what a sync of the whole drive does."""
    return lambda instead: monkeypatch.setattr(batch_syncer, "sync_whole", instead)


def failing_from(turn: int) -> tuple[Sync, list[int]]:
    """A drive whose sync fails at this turn, once, and reports success ever after."""
    turns: list[int] = []

    def sync_whole(fd: int) -> None:
        turns.append(fd)
        if len(turns) == turn:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    return sync_whole, turns


def test_state_is_written_only_after_the_sync(sync: Callable[[Sync], None]) -> None:
    states = bytearray(4)
    may_go_on = threading.Event()

    def sync_whole(fd: int) -> None:
        may_go_on.wait(60)

    sync(sync_whole)
    syncer = BatchSyncer("shuttle-1", 0, states)
    syncer.start()
    syncer.hand_over([0, 1])
    syncer.hand_over([2])
    assert set(states) == {CopyState.ABSENT}
    may_go_on.set()
    syncer.finish()
    written = CopyState.WRITTEN
    assert list(states) == [written, written, written, CopyState.ABSENT]


def test_failed_sync_fails_its_batch_and_all_later_ones(sync: Callable[[Sync], None]) -> None:
    """After a failed flush the next one may report success for data thrown away (fsync(2))."""
    states = bytearray(6)
    instead, turns = failing_from(2)
    sync(instead)
    syncer = BatchSyncer("shuttle-1", 0, states)
    syncer.start()
    for batch in ([0, 1], [2, 3], [4, 5]):
        syncer.hand_over(batch)
    syncer.finish()
    assert list(states) == [CopyState.WRITTEN] * 2 + [CopyState.FAILED] * 4
    assert len(turns) == 2
    assert isinstance(syncer.error, OSError)


def test_drive_given_up_is_not_synced_again(sync: Callable[[Sync], None]) -> None:
    states = bytearray(2)
    turns: list[int] = []
    is_under_way, may_go_on = threading.Event(), threading.Event()

    def sync_whole(fd: int) -> None:
        turns.append(fd)
        is_under_way.set()
        may_go_on.wait(60)

    sync(sync_whole)
    syncer = BatchSyncer("shuttle-1", 0, states)
    syncer.start()
    syncer.hand_over([0])
    is_under_way.wait(60)
    syncer.hand_over([1])
    threading.Timer(0.05, may_go_on.set).start()
    syncer.give_up()
    assert list(states) == [CopyState.WRITTEN, CopyState.FAILED]
    assert len(turns) == 1


@pytest.mark.parametrize("turn", [1, 3], ids=["first-sync", "last-sync"])
def test_failed_sync_drops_the_drive_and_the_other_goes_on(
    sync: Callable[[Sync], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, turn: int
) -> None:
    monkeypatch.setattr(drive_writer, "_BATCH_FILES", 40)
    instead, _ = failing_from(turn)
    sync(instead)
    card = tmp_path / "card"
    card.mkdir()
    for at in range(100):
        (card / f"frame_{at:04}.dpx").write_bytes(os.urandom(5000))
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    targets = {"one": Target("one", b"A001", fs_type="ext4"), "two": Target("two", b"A001")}
    passes = Passes.of(card, [(tmp_path / name, target) for name, target in targets.items()])
    copied = passes.copy()
    passes.close()
    assert "nput/output error" in copied.failures["one"]
    assert "two" not in copied.failures
    assert set(copied.drive_states["two"]) == {CopyState.WRITTEN}
    states = copied.drive_states["one"]
    durable = 40 * (turn - 1)
    assert states.count(CopyState.WRITTEN) == durable
    assert set(states[durable:]) <= {CopyState.FAILED, CopyState.ABSENT}


def test_failed_sync_fails_a_large_file_too(sync: Callable[[Sync], None], tmp_path: Path) -> None:
    instead, _ = failing_from(1)
    sync(instead)
    (tmp_path / "card").mkdir()
    (tmp_path / "one").mkdir()
    (tmp_path / "card" / "A001C001.mov").write_bytes(os.urandom(3 << 20))
    target = Target("one", b"A001", fs_type="ext4")
    passes = Passes.of(tmp_path / "card", [(tmp_path / "one", target)])
    copied = passes.copy()
    passes.close()
    assert list(copied.drive_states["one"]) == [CopyState.FAILED]
    assert "one" in copied.failures
