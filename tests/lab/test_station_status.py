"""Where every card is, asked from another shell, while the station works and when it is stopped."""

from pathlib import Path

import pytest

from tests.lab.images import EXT4, Rack
from tests.lab.station import Said, Set, Watching
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab


def test_status_follows_a_card_through_its_stay(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=12 << 20)
    card.mount()
    with (
        throttled(card.device, read_bytes_s=256 << 10) as let_go,
        Watching(station.installation) as watching,
    ):
        watching.wait_for(lambda said: said.get("step") == "copying")
        working: Said = {}

        def is_shown() -> bool:
            # The first pulse comes within half a second of the start.
            working.update(station.installation.run("status", "--json").result)
            return bool(working["cards"][0]["run"])

        watching.wait_until(is_shown)
        assert working["station"]["pid"] == watching.child.number
        run = working["cards"][0]["run"]
        assert run["step"] in ("copying", "proving")
        assert {each["name"] for each in run["drives"]} == {"shuttle-1", "shuttle-2"}
        let_go()
        assert watching.wait_verdict()["verdict"] == "cleared"
        screen = station.installation.run("status").out
        assert "in the reader; was safe at" in screen
        assert "SAFE TO ERASE" not in screen
        watching.stop()
    card.unmount()
    done = station.installation.run("status", "--json")
    assert (done.code, done.result["station"]) == (0, None)
    assert done.result["cards"][0]["place"] == "out-was-safe"


def test_card_that_left_unproven_is_the_loudest_alarm(rack: Rack, tmp_path: Path) -> None:
    station = Set.make(rack, tmp_path)
    card = station.card("card", "A001", large=12 << 20)
    card.mount()
    with throttled(card.device, read_bytes_s=4 << 20), Watching(station.installation) as watching:
        watching.wait_for(lambda said: said.get("step") == "copying")
        watching.kill()
    card.unmount()
    done = station.installation.run("status")
    assert done.code == 1
    assert done.out.splitlines()[2] == "1 CARD IS OUT AND NOT PROVEN. DO NOT ERASE."
    assert "NO STATION IS AT WORK" in done.out
    with Watching(station.installation) as watching:
        left = watching.wait_for(lambda said: said["type"] == "card-left")
        assert not left["was_safe"] and "IS OUT AND NOT PROVEN" in left["text"]


def test_hooks_get_the_facts_in_their_environment(rack: Rack, tmp_path: Path) -> None:
    script = tmp_path / "told.sh"
    script.write_text('#!/bin/sh\nenv | grep "^OFFLOAD_" | sort > "$1"\n')
    script.chmod(0o755)
    told = tmp_path / "told; touch no"
    more = f'[station]\non_cleared = ["{script}", "{told}"]\n'
    station = Set.make(rack, tmp_path, more=more)
    card = rack.volume(EXT4, name="card", label="A $(id) `id`")
    station.fill(card, "A001")
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict()["verdict"] == "cleared"
        watching.wait_until(lambda: told.exists() and "OFFLOAD_VERDICT" in told.read_text())
    lines = told.read_text().splitlines()
    assert "OFFLOAD_VERDICT=cleared" in lines
    assert "OFFLOAD_ROLL=A001" in lines
    assert "OFFLOAD_LABEL=A $(id) `id`" in lines
