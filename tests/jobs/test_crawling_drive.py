"""A drive at 1 MB/s beside a fast one: the fast one's copy is proven as if it were there alone."""

import contextlib
import os
import time
from pathlib import Path

import pytest

from offload.events import DriveReadBack, Event, Found
from offload.jobs.tools import StoppedError
from offload.record.keys import station_key
from offload.transfer import laggards
from tests.jobs.scene import Scene, write_card
from tests.lab.images import Rack
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab

MB = 10**6
CLIPS = {f"Clips/A001C{at:03}.mov": os.urandom(8 * MB) for at in range(1, 13)}
FAST, CRAWLING = 16 * MB, MB
# What a drive's own speed leaves out: starting, marking, listing, the watch that makes up its mind.
LIMIT = 1.3


class Watched(list[Event]):
    """Events, and when the first drive's copy had been read back."""

    def __init__(self) -> None:
        super().__init__()
        self.began = time.monotonic()
        self.proven_s = 0.0

    def append(self, event: Event) -> None:
        super().append(event)
        if isinstance(event, DriveReadBack) and event.drive == "shuttle-1" and not self.proven_s:
            assert event.equal == event.files
            self.proven_s = time.monotonic() - self.began


@pytest.fixture
def scene(rack: Rack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Scene:
    """The watch makes up its mind within a second: the card is small."""
    monkeypatch.setattr(laggards, "WINDOW_S", 0.8)
    home = tmp_path / "home"
    home.mkdir()
    names = ("card", "shuttle-1", "shuttle-2")
    volumes = [rack.volume(name=name, size_bytes=256 << 20) for name in names]
    scene = Scene(home, volumes[0], volumes[1:], station_key(os.fsencode(home)))
    write_card(scene.card, CLIPS)
    return scene


def proven_after_s(scene: Scene, roll: str) -> float:
    """Until the fast drive is read back; then the run is stopped, as by Ctrl-C."""
    scene.events = watched = Watched()
    wish = scene.wish(roll=roll)
    with contextlib.suppress(StoppedError):
        scene.offload(wish, is_stopped=lambda: watched.proven_s > 0)
    assert watched.proven_s
    return watched.proven_s


def test_fast_drive_is_proven_as_if_it_were_alone(scene: Scene) -> None:
    fast, crawling = scene.drives
    with (
        throttled(fast.device, read_bytes_s=FAST, write_bytes_s=FAST),
        throttled(crawling.device, read_bytes_s=CRAWLING, write_bytes_s=CRAWLING) as let_go,
    ):
        scene.drives = [fast]
        alone = proven_after_s(scene, "A001")
        scene.drives = [fast, crawling]
        together = proven_after_s(scene, "A002")
        let_go()
    assert "drive-fed-apart" in [
        each.finding.code for each in scene.events if isinstance(each, Found)
    ]
    assert together <= LIMIT * alone, (alone, together)
