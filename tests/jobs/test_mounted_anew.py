"""A drive whose driver lies in user space and whose device nobody knows counts once mounted anew.

Only the reading in that mounting is one from the device: what was written or read in it may be
remembered by the driver, and nothing shows that it was not.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.events import Event, StepStarted
from offload.jobs.tools import StoppedError
from offload.jobs.wishes import Wish
from offload.values.facts import Policy, ReadBack
from tests.jobs.scene import Scene, codes, write_card
from tests.lab.faultfs import FaultFs
from tests.lab.images import Rack

pytestmark = pytest.mark.lab

CLIPS = {f"Clips/A001C00{at}.mov": os.urandom(300_000 + at) for at in (1, 2, 3)}
DECLARED = Policy(declared_separate=frozenset({frozenset({"shuttle-1", "shuttle-2"})}))


class Unknown:
    """A card, a disk, and a drive of which only its folder behind the driver is known."""

    def __init__(self, rack: Rack, tmp_path: Path) -> None:
        self.scene = Scene.make(rack, tmp_path)
        write_card(self.scene.card, CLIPS)
        self.backing = rack.volume(name="behind").root
        self._top = tmp_path / "mounted-2"
        self.drive = FaultFs(self.backing, self._top)

    def mount_anew(self) -> None:
        self.drive.close()
        self.drive = FaultFs(self.backing, self._top)

    def wish(self) -> Wish:
        drives = self.scene.wish().drives
        second = type(drives[1])("shuttle-2", os.fsencode(self._top))
        return self.scene.wish(drives=(drives[0], second), policy=DECLARED)

    def read_back(self) -> tuple[ReadBack, list[str]]:
        outcome = self.scene.offload(self.wish())
        copy = next(each for each in outcome.verdict.copies if each.drive == "shuttle-2")
        return copy.read_back, codes(outcome)

    def stop_before_proving(self) -> None:
        """A run that copies everything and proves nothing."""

        def is_stopped() -> bool:
            return any(
                isinstance(event, StepStarted) and event.step == "proving"
                for event in self.scene.events
            )

        with pytest.raises(StoppedError):
            self.scene.offload(self.wish(), is_stopped=is_stopped)
        self.scene.events.clear()


@pytest.fixture
def unknown(rack: Rack, tmp_path: Path) -> Iterator[Unknown]:
    made = Unknown(rack, tmp_path)
    try:
        yield made
    finally:
        made.drive.close()


def test_what_was_written_before_it_was_mounted_anew_counts(unknown: Unknown) -> None:
    unknown.stop_before_proving()
    unknown.mount_anew()
    assert unknown.read_back() == (ReadBack.DEVICE, [])


def test_what_was_written_anew_in_this_mounting_does_not(unknown: Unknown) -> None:
    """Found wrong, written once more, and read back from wherever the driver had it."""
    unknown.stop_before_proving()
    left = unknown.backing / "A001.incomplete" / min(CLIPS)
    left.write_bytes(bytes(left.stat().st_size))
    unknown.mount_anew()
    assert unknown.read_back() == (ReadBack.CACHED, ["copy-cached"])
    unknown.mount_anew()
    assert unknown.read_back() == (ReadBack.DEVICE, [])


class _Touching(list[Event]):
    """Events; a copy is touched between its reading and the last look, once."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path: Path | None = path

    def append(self, event: Event) -> None:
        super().append(event)
        is_last_look = isinstance(event, StepStarted) and event.step == "last-look"
        if is_last_look and self._path is not None:
            os.utime(self._path)
            self._path = None


def test_second_reading_in_one_mounting_does_not(unknown: Unknown) -> None:
    """A copy that somebody has touched is read again, and that is not from the device."""
    unknown.stop_before_proving()
    unknown.mount_anew()
    unknown.scene.events = _Touching(unknown.backing / "A001" / min(CLIPS))
    assert unknown.read_back() == (ReadBack.CACHED, ["copy-cached"])
