"""What goes wrong around cards: mounts that flap, labels that lie, ejecting, broken ledgers."""

import os
import shutil
from pathlib import Path

import pytest

from tests.lab import mounts
from tests.lab.cards import write_roll
from tests.lab.images import EXT4, Rack, Volume
from tests.lab.station import Set, Watching

pytestmark = pytest.mark.lab


def test_card_is_unmounted_before_the_words_are_said(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path, more="[station]\neject = true\n")
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        said = watching.wait_verdict()
        assert not mounts.is_mounted(card.root)
        assert (said["verdict"], said["left_reader"]) == ("cleared", True)
        assert watching.wait_for(lambda said: said["type"] == "card-left")["was_safe"]
        assert not [each for each in watching.said if each["type"] == "trouble"]
        card.mount()
        station.assert_copied(card)


def test_card_that_somebody_uses_is_cleared_and_stays(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path, more="[station]\neject = true\n")
    card = station.card("card", "A001")
    card.mount()
    holding = os.open(card.root / "INDEX.TXT", os.O_RDONLY)
    try:
        with Watching(station.installation) as watching:
            trouble = watching.wait_for(lambda said: said["type"] == "trouble")
            assert "was not ejected" in trouble["text"]
            said = watching.wait_verdict()
            assert (said["verdict"], said["left_reader"]) == ("cleared", False)
    finally:
        os.close(holding)


def test_mount_that_comes_and_goes_is_answered_once_it_stays(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        for _ in range(10):
            card.mount()
            card.unmount_lazy()
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared", watching.told()
        begun = [said for said in watching.said if said["type"] == "run-started"]
        assert len(begun) == 1
        assert watching.stop().err == ""


def test_label_with_escape_codes_moves_no_cursor(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = rack.volume(EXT4, name="card", label="A\x1b[2J\x07")
    station.fill(card, "A001")
    card.mount()
    with Watching(station.installation) as watching:
        said = watching.wait_verdict()
        assert (said["label"], said["verdict"]) == ("A\\x1b[2J\\x07", "cleared")
        screen = station.installation.run("status").out
        assert "\x1b" not in screen and "\x07" not in screen


def test_empty_volume_is_said_to_be_empty(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = rack.volume(EXT4, name="card")
    (card.root / "lost+found").rmdir()
    with Watching(station.installation) as watching:
        said = watching.wait_for(lambda said: said["type"] == "recognised")
        assert said["kind"] == "empty" and "nothing on it" in said["text"]


def test_ledger_on_a_full_disk_clears_nothing(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    small = rack.volume(EXT4, name="ledger", size_bytes=8 << 20)
    station.installation.environment["OFFLOAD_HOME"] = os.fspath(small.root / "home")
    card = rack.volume(EXT4, name="card")
    write_roll(card.root, clip_count=2)
    card.sync()
    card.unmount()
    with Watching(station.installation) as watching:
        filler = small.root / "filler"
        with filler.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space"):
            while True:
                file.write(bytes(65536))
        card.mount()
        said = watching.wait_for(lambda said: said["type"] in ("verdict", "no-verdict"))
        assert said.get("verdict") != "cleared", watching.told()
        filler.unlink()
        card.remount()
        assert watching.wait_verdict()["verdict"] == "cleared", watching.told()


def pulled_before_it_was_proven(station: Set, card: Volume, watching: Watching) -> None:
    """A card is put in and pulled as soon as it has been listed."""
    card.mount()
    watching.wait_for(lambda said: said["type"] == "run-started")
    card.unmount_lazy()
    left = watching.wait_for(
        lambda said: said["type"] == "card-left" and said["mount_point"] == os.fspath(card.root)
    )
    assert not left["was_safe"]


def places(station: Set) -> list[str]:
    """Where the cards are, asked from another shell."""
    cards = station.installation.run("status", "--json").result["cards"]
    return sorted(each["place"] for each in cards)


def test_cloned_card_is_another_card(rack: Rack, tmp_path: Path) -> None:
    """Two cards with one volume id and one label: the proof of one says nothing of the other."""
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    twin = rack.snapshot(card, "twin")
    twin.mount()
    shutil.rmtree(twin.root / "CLIPS")
    station.fill(twin, "B001")
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        card.unmount()
        pulled_before_it_was_proven(station, twin, watching)
    assert places(station) == ["out-not-proven", "out-was-safe"]


def test_card_whose_times_alone_differ_was_not_safe(rack: Rack, tmp_path: Path) -> None:
    """Names and sizes as when it was proven, and something was written: nobody knows what."""
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        clip = card.root / "CLIPS" / "A001C001.mov"
        clip.write_bytes(os.urandom(clip.stat().st_size))
        card.unmount()
        pulled_before_it_was_proven(station, card, watching)
    assert places(station) == ["out-not-proven"]
