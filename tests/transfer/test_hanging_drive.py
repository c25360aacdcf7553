"""A drive that hangs in the middle of a write: the others are filled while it does."""

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.transfer import laggards
from offload.transfer.plan import Target
from offload.values.facts import CopyState
from tests.jobs.scene import tree
from tests.lab.faultfs import Fault, FaultFs
from tests.transfer.passes import Passes

pytestmark = pytest.mark.lab

CLIPS = {f"A001C{at:03}.mov": os.urandom(6 << 20) for at in range(1, 11)}
BAD, GOOD = "shuttle-bad", "shuttle-good"


@pytest.mark.parametrize("errno", ["", "EIO"], ids=["goes-on", "fails"])
def test_others_are_filled_while_one_hangs(
    tmp_path: Path,
    faulty: Callable[..., FaultFs],
    monkeypatch: pytest.MonkeyPatch,
    errno: str,
) -> None:
    monkeypatch.setattr(laggards, "WINDOW_S", 1.5)
    monkeypatch.setattr(laggards, "LEAST_GAIN_S", 0.1)
    card, good = tmp_path / "card", tmp_path / "good"
    for folder in (card, good):
        folder.mkdir()
    for name, content in CLIPS.items():
        (card / name).write_bytes(content)
    bad = faulty("bad")
    targets = [(bad.root, Target(BAD, b"A001")), (good, Target(GOOD, b"A001"))]
    passes = Passes.of(card, targets, checksums=("xxh128",))
    bad.plan(Fault("write", "hang", path=r".*A001C002\.mov", count=1))
    thread = threading.Thread(target=passes.copy)
    thread.start()
    try:
        bad.wait_hanging()
        until = time.monotonic() + 60
        while not (good / "A001").exists() or tree(good / "A001") != CLIPS:
            assert time.monotonic() < until, "the good drive waits for the one that hangs"
            time.sleep(0.1)
        assert thread.is_alive()
    finally:
        bad.release(errno)
        thread.join()
    assert set(passes.result.drive_states[GOOD]) == {CopyState.WRITTEN}
    # Whatever is said to be on the bad one is there whole; the rest is still to come.
    stored = tree(bad.backing / "A001")
    for name, state in zip(sorted(CLIPS), passes.result.drive_states[BAD], strict=True):
        assert (state == CopyState.WRITTEN) == (stored.get(name) == CLIPS[name])
        assert state == CopyState.WRITTEN or name not in stored
    assert (BAD in passes.result.failures) is bool(errno)
    assert (BAD in passes.result.left) is not bool(errno)
    passes.close()
