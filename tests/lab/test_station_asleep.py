"""The machine sleeps, and meanwhile somebody takes the card, or takes it and brings it back."""

import os
import time
from pathlib import Path

import pytest

from tests.lab.images import Rack, Volume
from tests.lab.station import Said, Set, Watching
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab

# Longer than a look at the volumes, a pulse or a retry takes.
_ASLEEP_S = 3.0
_PATIENCE_S = 60.0


def cleared(said: Said) -> bool:
    return bool(said["type"] == "verdict" and said["verdict"] == "cleared")


def is_over(said: Said) -> bool:
    return said["type"] in ("card-left", "verdict", "no-verdict")


@pytest.mark.parametrize("step", ["copying", "proving"])
def test_card_pulled_in_sleep_is_never_cleared(rack: Rack, tmp_path: Path, step: str) -> None:
    """What a pulled card's open files still hand out proves nothing about the card."""
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=12 << 20)
    with (
        throttled(card.device, read_bytes_s=6 << 20) as let_go,
        Watching(station.installation) as watching,
    ):
        card.mount()
        watching.wait_for(lambda said: said.get("step") == step)
        with watching.asleep():
            card.unmount_lazy()
            time.sleep(_ASLEEP_S)
        left = watching.wait_for(is_over)
        assert (left["type"], left.get("was_safe")) == ("card-left", False), watching.told()
        let_go()
        line = station.installation.run("status", "--json").result["cards"][0]
        assert (line["place"], line["was_safe_ns"]) == ("out-not-proven", 0)
        assert not [said for said in watching.said if cleared(said)]
        card.mount()
        assert cleared(watching.wait_verdict()), watching.told()
        station.assert_copied(card)


@pytest.mark.parametrize("step", ["copying", "proving"])
def test_card_pulled_and_put_back_in_sleep_begins_a_new_stay(
    rack: Rack, tmp_path: Path, step: str
) -> None:
    """Nobody saw it leave: elsewhere a clip was exchanged for one of its size and time."""
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=12 << 20)
    with (
        throttled(card.device, read_bytes_s=6 << 20) as let_go,
        Watching(station.installation) as watching,
    ):
        card.mount()
        before = watching.wait_for(lambda said: said.get("step") == step)["mounting"]
        with watching.asleep():
            card.unmount_lazy()
            time.sleep(_ASLEEP_S)
            card.mount()
            exchange(card, "A001C001.mov")
        let_go()
        said = watching.wait_for(cleared, timeout_s=_PATIENCE_S)
        assert said["mounting"] != before
        station.assert_copied(card)
        left = [each for each in watching.said if each["type"] == "card-left"]
        assert [(each["mounting"], each["was_safe"]) for each in left] == [(before, False)]


def test_card_that_left_before_the_words_were_said_gets_none(rack: Rack, tmp_path: Path) -> None:
    """Proven and signed, and then the machine slept: the words hold only in the reader."""
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        watching.wait_for(lambda said: said.get("step") == "record")
        # The page comes after the statement, and before anything is told.
        page = station.drives[0].root / "Night Ferry"
        while not list(page.glob("*/records/A001/A001.html")):
            pass
        with watching.asleep():
            card.unmount_lazy()
            time.sleep(_ASLEEP_S)
        watching.wait_for(lambda said: said["type"] == "card-left")
        card.mount()
        said = watching.wait_verdict()
        verdicts = [each for each in watching.said if each["type"] == "verdict"]
        came = [each["mounting"] for each in watching.said if each["type"] == "volume-came"]
        assert [each["mounting"] for each in verdicts] == [came[-1]], watching.told()
        assert said["is_listed"] == (said["verdict"] == "held")


def exchange(card: Volume, name: str) -> None:
    """Other bytes at the same length, with the old time."""
    clip = card.root / "CLIPS" / name
    facts = clip.stat()
    clip.write_bytes(os.urandom(facts.st_size))
    os.utime(clip, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    card.sync()
