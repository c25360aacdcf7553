"""A machine that sleeps, clocks that jump, cards that cannot be listed."""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.lab.cards import write_roll
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import EXFAT, Rack, Volume
from tests.lab.station import Set, Watching
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab


@contextmanager
def faulty_card(rack: Rack, name: str) -> Iterator[FaultFs]:
    """A card with a roll, where cards appear, on a file system that can be made to fail."""
    device = rack.volume(EXFAT, name=f"{name}-device", is_mounted=False)
    device.attach()
    backing = rack.folder / f"{name}.disk"
    backing.mkdir()
    write_roll(backing, roll="A001", clip_count=2)
    quirks = Quirks(block_device=device.device)
    with FaultFs(backing, rack.folder / "mounted" / name, quirks, source=device.device) as card:
        yield card


@pytest.fixture
def slow_card(rack: Rack, tmp_path: Path) -> Iterator[tuple[Set, Volume]]:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=20 << 20)
    with throttled(card.device, read_bytes_s=8 << 20):
        yield station, card


def test_sleep_in_mid_copy_changes_nothing(slow_card: tuple[Set, Volume]) -> None:
    station, card = slow_card
    with Watching(station.installation) as watching:
        card.mount()
        watching.wait_for(lambda said: said.get("step") == "copying")
        with watching.asleep():
            # Longer than a look at the volumes, a pulse or a retry takes.
            time.sleep(3)
            line = station.installation.run("status", "--json").result["cards"][0]
            assert line["was_safe_ns"] == 0
        said = watching.wait_verdict()
        assert said["verdict"] == "cleared", watching.told()
        station.assert_copied(card)
        assert not [each for each in watching.said if each["type"] == "trouble"]


@pytest.mark.parametrize("jump_s", [-2 * 86400, 2 * 86400], ids=["back", "forward"])
def test_clock_that_jumps_in_mid_copy_changes_nothing(
    slow_card: tuple[Set, Volume], tmp_path: Path, jump_s: int
) -> None:
    station, card = slow_card
    clock = tmp_path / "clock"
    clock.write_text("0")
    station.installation.environment["LAB_CLOCK"] = os.fspath(clock)
    with Watching(station.installation) as watching:
        card.mount()
        watching.wait_for(lambda said: said.get("step") == "copying")
        # All at once: it is read all the time.
        (tmp_path / "next").write_text(str(jump_s))
        (tmp_path / "next").replace(clock)
        said = watching.wait_verdict()
        assert said["verdict"] == "cleared", watching.told()
        station.assert_copied(card)
        (line,) = station.installation.run("status", "--json").result["cards"]
        assert (line["place"], line["last_answer"]) == ("in-reader", "cleared")
        card.unmount()
        assert watching.wait_for(lambda said: said["type"] == "card-left")["was_safe"]
        card.mount()
        assert watching.wait_verdict()["is_listed"]


def test_card_that_cannot_be_listed_at_all_is_no_empty_card(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    with faulty_card(rack, "card") as card:
        card.plan(Fault("readdir", errno="EIO", count=0))
        with Watching(station.installation) as watching:
            said = watching.wait_for(lambda said: said["type"] == "recognised")
            assert said["kind"] == "unreadable"
            assert said["text"].startswith("KEEP IT. It cannot be listed: input/output error")
            # Whatever it was, another look is taken, and then it is a card like any other.
            card.plan()
            assert watching.wait_verdict()["verdict"] == "cleared", watching.told()


def test_card_whose_only_clip_folder_fails_is_told_to_be_kept(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    with faulty_card(rack, "card") as card:
        card.plan(Fault("readdir", errno="EIO", count=0, path=r".*CLIPS"))
        with Watching(station.installation) as watching:
            said = watching.wait_for(lambda said: said["type"] == "recognised")
            assert said["kind"] == "unreadable"
            told = "KEEP IT. Its folder CLIPS cannot be listed: input/output error"
            assert said["text"].startswith(told), said
            # Healed where it is, without leaving: it needs nobody's hand.
            card.plan()
            assert watching.wait_verdict()["verdict"] == "cleared", watching.told()
            recognised = [said for said in watching.said if said["type"] == "recognised"]
            assert [said["kind"] for said in recognised] == ["unreadable", "card"]


def test_error_in_the_middle_of_the_listing_keeps_the_card(rack: Rack, tmp_path: Path) -> None:
    """The walk for the copy meets it, after the looks that came before have gone well."""
    station = Set.make(rack, tmp_path)
    with faulty_card(rack, "card") as card, Watching(station.installation) as watching:
        watching.wait_for(lambda said: said["type"] == "recognised")
        card.plan(Fault("readdir", errno="EIO", count=0), Fault("getattr", errno="EIO", count=0))
        said = watching.wait_for(lambda said: said["type"] in ("verdict", "no-verdict"))
        assert said.get("verdict") != "cleared", watching.told()
        card.plan()
