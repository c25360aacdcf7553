"""Setting up, taking drives into use in mid-day, resting and retiring them."""

import os
from pathlib import Path

import pytest

from tests.lab import mounts
from tests.lab.images import EXT4, Rack
from tests.lab.station import LoopInstallation, Set, Watching, volume_id
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab


def test_setup_writes_settings_that_clear_a_card(rack: Rack, tmp_path: Path) -> None:
    drives = [rack.volume(EXT4, name=f"shuttle-{at}") for at in (1, 2)]
    installation = LoopInstallation(tmp_path / "station")
    done = installation.run(
        "setup",
        "--production",
        "Night Ferry",
        *(word for v in drives for word in ("--drive", f"{v.root.name}={v.root}")),
    )
    assert done.code == 0, done.out + done.err
    text = installation.settings.read_text()
    assert volume_id(drives[0]) in text and "Night Ferry" in text
    installation.settings.write_text(
        text.replace("[cards]", f'[cards]\nwatch = ["{rack.folder / "mounted"}"]')
        + "\n# reserve is small: a comment of ours\n"
    )
    again = installation.run("setup", "--copies", "2")
    assert again.code == 0, again.err
    assert "# reserve is small: a comment of ours" in installation.settings.read_text()
    station = Set(rack, drives, installation)
    card = station.card("card", "A001")
    small = installation.settings.read_text().replace("needed = 2", 'needed = 2\nreserve = "0 B"')
    installation.settings.write_text(small)
    with Watching(installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared", watching.told()


def test_full_drive_is_replaced_while_the_station_works(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    third = rack.volume(EXT4, name="shuttle-3")
    station.drives[1].unmount()
    run = station.installation.run
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "held"
        assert run("drive", "retire", "shuttle-2").code == 0
        added = run("drive", "add", "shuttle-3", third.root)
        assert added.code == 0, added.err
        said = watching.wait_for(
            lambda said: said["type"] == "verdict" and said["verdict"] == "cleared"
        )
        assert {copy["drive"] for copy in said["copies"]} == {"shuttle-1", "shuttle-3"}
        third.sync()
        came = [said["drive"] for said in watching.said if said["type"] == "drive-came"]
        assert came.count("shuttle-1") == 1


def test_drive_that_comes_during_a_run_is_not_overlooked(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=4 << 20)
    card.mount()
    station.drives[1].unmount()
    with throttled(card.device, read_bytes_s=2 << 20), Watching(station.installation) as watching:
        watching.wait_for(lambda said: said.get("step") == "copying")
        station.drives[1].mount()
        assert watching.wait_verdict()["verdict"] == "held"
        assert watching.wait_verdict()["verdict"] == "cleared"
    station.assert_copied(card)


def test_drive_at_rest_is_unmounted_and_waited_for(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    done = station.installation.run("drive", "rest", "shuttle-2")
    assert (done.code, "Unplug it." in done.out) == (0, True), done.err
    assert not mounts.is_mounted(station.drives[1].root)
    listed = station.installation.run("drive", "list", "--json").lines
    assert {each["name"]: each["is_here"] for each in listed} == {
        "shuttle-1": True,
        "shuttle-2": False,
    }


def test_card_is_refused_as_a_drive(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    card.mount()
    done = station.installation.run("drive", "add", "spare", card.root)
    assert done.code == 2
    assert "cards get erased" in done.err
    assert "spare" not in station.installation.settings.read_text()


def test_wrong_edit_is_told_and_the_settings_before_stay(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001")
    settings = station.installation.settings
    with Watching(station.installation) as watching:
        right = settings.read_text()
        settings.write_text(right.replace("[copies]", "[copies]\nneded = 3"))
        said = watching.wait_for(lambda said: said["type"] == "settings-refused")
        assert "neded" in said["text"]
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        settings.write_text(right.replace("[copies]", "[copies]\nneeded = 1"))
        watching.wait_for(lambda said: said["type"] == "settings-taken")
    assert os.path.exists(settings)
