"""The station on real mounts: cards come, are copied and answered, leave, come back."""

import os
import socket
import time
from pathlib import Path

import pytest

from tests.lab import oracle
from tests.lab.images import EXFAT, EXT4, FileSystem, Rack
from tests.lab.station import Set, Watching
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab


@pytest.mark.parametrize("fs", [EXT4, EXFAT], ids=lambda fs: fs.name)
def test_card_is_copied_and_cleared(rack: Rack, tmp_path: Path, fs: FileSystem) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", fs)
    with Watching(station.installation) as watching:
        card.mount()
        said = watching.wait_verdict()
        assert (said["verdict"], said["roll"]) == ("cleared", "A001"), watching.told()
        station.assert_copied(card)
        done = watching.stop()
    assert (done.code, done.err) == (0, "")
    assert os.fspath(card.root) == said["mount_point"]


def test_two_cards_are_worked_on_side_by_side(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    cards = [station.card("card-a", "A001"), station.card("card-b", "B001")]
    with Watching(station.installation) as watching:
        for card in cards:
            card.mount()
        verdicts = [watching.wait_verdict(), watching.wait_verdict()]
        assert [said["verdict"] for said in verdicts] == ["cleared"] * 2, watching.told()
        assert sorted(said["roll"] for said in verdicts) == ["A001", "B001"]
        for card in cards:
            station.assert_copied(card)


def test_card_that_comes_back_is_answered_by_its_listing(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        watching.wait_verdict()
        card.unmount()
        assert watching.wait_for(lambda said: said["type"] == "card-left")["was_safe"]
        card.mount()
        said = watching.wait_verdict()
        assert said["is_listed"] and said["verdict"] == "held"
        assert [hold["code"] for hold in said["holds"]] == ["card-was-away"]
        card.unmount()
        left = watching.wait_for(lambda said: said["type"] == "card-left")
        assert (left["was_safe"], left["was_listed_safe"]) == (False, True)
        assert len([said for said in watching.said if said["type"] == "run-started"]) == 1


def test_twin_that_was_only_listed_is_not_called_safe_when_it_leaves(
    rack: Rack, tmp_path: Path
) -> None:
    """Equal names, sizes and times, other bytes: only a reading could tell, and nobody read."""
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        card.unmount()
        watching.wait_for(lambda said: said["type"] == "card-left")
        twin = rack.snapshot(card, "twin")
        changed = twin.image.read_bytes().replace(b"<clip><name>A001C001", b"<clip><name>A001CXYZ")
        assert changed != twin.image.read_bytes()
        twin.image.write_bytes(changed)
        twin.mount()
        assert watching.wait_verdict()["verdict"] == "held"
        twin.unmount()
        left = watching.wait_for(lambda said: said["type"] == "card-left")
        assert (left["was_safe"], left["was_listed_safe"]) == (False, True)
        assert "not read this time" in left["text"] and "--read" in left["text"]
    status = station.installation.run("status").out
    assert "only listed since, not read" in status


def test_only_new_clips_of_a_card_that_comes_back_are_copied(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        card.unmount()
        card.mount()
        (card.root / "CLIPS" / "A001C099.mov").write_bytes(os.urandom(300_000))
        card.remount()
        said = watching.wait_for(lambda said: said["type"] == "verdict" and not said["is_listed"])
        assert said["verdict"] == "cleared", watching.told()
        station.assert_copied(card)


@pytest.mark.parametrize("how", ["unmounted lazily", "device detached"])
def test_card_pulled_in_mid_copy_goes_on_when_put_back(
    rack: Rack, tmp_path: Path, how: str
) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=30 << 20)
    with throttled(card.device, read_bytes_s=8 << 20), Watching(station.installation) as watching:
        card.mount()
        watching.wait_for(lambda said: said.get("step") == "copying")
        if how == "device detached":
            card.pull()
        card.unmount_lazy()
        left = watching.wait_for(lambda said: said["type"] == "card-left")
        assert not left["was_safe"] and "NOT PROVEN" in left["text"]
        card.put_back()
        said = watching.wait_verdict()
        assert said["verdict"] == "cleared", watching.told()
        station.assert_copied(card)


def test_missing_drive_is_waited_for_by_name(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    station.drives[1].unmount()
    with Watching(station.installation) as watching:
        card.mount()
        said = watching.wait_verdict()
        assert said["verdict"] == "held"
        lined = watching.wait_for(lambda said: said.get("stage") == "drive-missing")
        assert lined["waits"] == ["shuttle-2"] if "waits" in lined else lined["drives"]
        station.drives[1].mount()
        assert watching.wait_verdict()["verdict"] == "cleared", watching.told()
        station.assert_copied(card)


def test_killed_station_goes_on_at_its_next_start(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=6 << 20)
    card.mount()
    with throttled(card.device, read_bytes_s=2 << 20):
        for step in ("inventory", "copying", "proving"):
            with Watching(station.installation) as watching:
                watching.wait_for(lambda said, step=step: said.get("step") == step)
                watching.kill()
    with Watching(station.installation) as watching:
        said = watching.wait_verdict()
        assert said["verdict"] == "cleared", watching.told()
        station.assert_copied(card)


def test_second_station_is_refused_by_name(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    with Watching(station.installation) as watching:
        done = station.installation.run("watch", "--json")
        assert done.code == 3
        assert done.result["code"] == "busy"
        assert f"process {watching.child.number}" in done.result["text"]


def test_told_to_stop_it_is_down_at_once(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=40 << 20)
    card.mount()
    with throttled(card.device, read_bytes_s=2 << 20), Watching(station.installation) as watching:
        watching.wait_for(lambda said: said.get("step") == "copying")
        begun = time.monotonic()
        assert watching.stop().code == 0
        # Reading the card twice would take another 40 s at this rate.
        assert time.monotonic() - begun < 20
        for drive in station.drives:
            names = [path for path in oracle.content_of(drive.root).files if b"A001/" in path]
            assert all(b".incomplete/" in path or b"records/" in path for path in names)


def test_volume_that_is_no_card_is_shown_with_what_to_type(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    volume = rack.volume(EXT4, name="papers")
    (volume.root / "budget.ods").write_bytes(b"numbers")
    with Watching(station.installation) as watching:
        said = watching.wait_for(lambda said: said["type"] == "recognised")
        assert said["kind"] == "unknown"
        assert said["command"] == ["offload", "copy", os.fspath(volume.root)]


def test_service_manager_hears_that_it_is_ready_and_alive(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(os.fspath(tmp_path / "notify"))
        manager.settimeout(30)
        station.installation.environment |= {
            "NOTIFY_SOCKET": os.fspath(tmp_path / "notify"),
            "WATCHDOG_USEC": "1000000",
        }
        with Watching(station.installation) as watching:
            told = [manager.recv(4096).decode() for _ in range(4)]
            assert told[0].startswith("READY=1")
            assert told.count("WATCHDOG=1") >= 2
            assert watching.stop().code == 0


def test_first_byte_is_read_soon_after_a_card_has_settled(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        settled = watching.wait_for(lambda said: said["type"] == "recognised")["seen_at"]
        copied = watching.wait_for(lambda said: said.get("step") == "copying")["seen_at"]
        # A wait or a retry in between would be seen; a busy machine may be slow.
        assert copied - settled < 20
        watching.wait_verdict()


def test_earlier_verdict_of_a_card_in_line_is_no_other_commands(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        card.unmount()
        card.mount()
        # Of the same size and name: only the time says that something was done to it.
        clip = card.root / "CLIPS" / "A001C001.mov"
        clip.write_bytes(os.urandom(clip.stat().st_size))
        card.remount()
        said = watching.wait_for(lambda said: said["type"] == "verdict" and not said["is_listed"])
        assert said["verdict"] == "cleared", watching.told()
        assert said["roll"] == "A001-2"
        assert not [each for each in watching.said if "by another command" in each.get("why", "")]
        station.assert_copied(card)
