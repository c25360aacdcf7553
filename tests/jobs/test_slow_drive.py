"""A drive that is much slower than the others, on devices that are held to a rate."""

import os
from pathlib import Path

import pytest

from offload.events import DriveReadBack, Event, Found
from offload.record.keys import station_key
from offload.transfer import laggards
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.lab.images import Rack, Volume
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab

CLIPS = {f"Clips/A001C{at:03}.mov": os.urandom(6 << 20) for at in range(1, 15)}
RATE = 12 << 20


@pytest.fixture
def scene(rack: Rack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """Two drives, and a watch that makes up its mind within a second."""
    monkeypatch.setattr(laggards, "WINDOW_S", 0.8)
    monkeypatch.setattr(laggards, "LEAST_GAIN_S", 1.0)
    home = tmp_path / "home"
    home.mkdir()
    volumes = [
        rack.volume(name=name, size_bytes=256 << 20) for name in ("card", "shuttle-1", "shuttle-2")
    ]
    scene = Scene(home, volumes[0], volumes[1:], station_key(os.fsencode(home)))
    write_card(scene.card, CLIPS)
    return scene


class Pulling(list[Event]):
    """Events; the drive is pulled when it is told that it gets the rest by itself."""

    def __init__(self, drive: Volume) -> None:
        super().__init__()
        self._drive = drive

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, Found) and event.finding.code == "drive-fed-apart":
            self._drive.pull()


def apart(scene: Scene) -> list[str]:
    """Drives of which it was said that they get the rest by themselves."""
    return [
        event.finding.drive
        for event in scene.events
        if isinstance(event, Found) and event.finding.code == "drive-fed-apart"
    ]


def test_slow_drive_gets_all_of_it_after_the_others(scene: Scene) -> None:
    with throttled(scene.drives[1].device, write_bytes_s=RATE):
        outcome = scene.offload()
    assert apart(scene) == ["shuttle-2"]
    told = [event for event in scene.events if isinstance(event, DriveReadBack)]
    # The fast drive by itself first, and both in the end.
    assert [event.drive for event in told] == ["shuttle-1", "shuttle-1", "shuttle-2"]
    assert all(event.equal == event.files for event in told)
    assert codes(outcome) == []
    assert outcome.verdict.is_cleared
    for drive in scene.drives:
        copied = tree(drive.root / "A001")
        assert {name: copied[name] for name in CLIPS} == CLIPS
        manifests = list((drive.root / "A001" / "ascmhl").glob("0001_*.mhl"))
        assert "shuttle-2 by a further reading of the card" in manifests[0].read_text()
        assert not (drive.root / "A001.incomplete").exists()


def test_drives_alike_stay_together(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    # On a busy machine one of two alike may well be behind for a second.
    monkeypatch.setattr(laggards, "WINDOW_S", 2.5)
    with (
        throttled(scene.drives[0].device, write_bytes_s=RATE),
        throttled(scene.drives[1].device, write_bytes_s=RATE),
    ):
        outcome = scene.offload()
    assert apart(scene) == []
    assert outcome.verdict.is_cleared


def test_slow_drive_that_is_pulled_while_it_is_fed_keeps_the_card(scene: Scene) -> None:
    """The fast drive alone is one copy, and no word is given for one."""
    scene.events = Pulling(scene.drives[1])
    with throttled(scene.drives[1].device, write_bytes_s=RATE):
        outcome = scene.offload()
    assert apart(scene) == ["shuttle-2"]
    assert not outcome.verdict.is_cleared
    assert "too-few-copies" in codes(outcome)
