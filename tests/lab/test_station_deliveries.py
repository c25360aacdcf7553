"""Deliveries at the station: noticed, taken where a setting says so, pulled out, put back."""

import os
from pathlib import Path

import pytest

from tests.jobs.receive_scene import Depot
from tests.jobs.scene import tree
from tests.lab.images import Rack, Volume
from tests.lab.station import Said, Set, Watching
from tests.lab.throttle import throttled

pytestmark = pytest.mark.lab

RECEIVE = "[station]\nreceive = true\n"


class Dock:
    """A station, and a delivery that is not mounted yet."""

    def __init__(
        self, rack: Rack, tmp_path: Path, *rolls: str, more: str = RECEIVE, large: int = 0
    ) -> None:
        self.station = Set.make(rack, tmp_path, more=more)
        (tmp_path / "from").mkdir()
        self.depot = Depot.make(rack, tmp_path / "from", rolls=rolls or ("A001",), drives=())
        if large:
            self.depot.send("B001", {"CLIPS/B001C001.mov": os.urandom(large)})
            self.depot.sent.sync()
        self.sent: Volume = self.depot.sent
        self.sent.unmount()

    def assert_received(self) -> None:
        for drive in self.station.drives:
            for name, files in self.depot.rolls.items():
                (roll,) = drive.root.glob(f"Night Ferry/*/{name}")
                here = {k: v for k, v in tree(roll).items() if not k.startswith("ascmhl/")}
                assert here == files


def received(said: Said) -> bool:
    return bool(said["type"] == "received")


def test_delivery_waits_for_a_word(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path, more="")
    with Watching(dock.station.installation) as watching:
        dock.sent.mount()
        said = watching.wait_for(lambda said: said["type"] == "recognised")
        assert said["kind"] == "delivery"
        assert said["command"][:2] == ["offload", "receive"]
        done = dock.station.installation.run("status")
        assert "a delivery" in done.out
    assert [tree(drive.root) for drive in dock.station.drives] == [{}, {}]


def test_delivery_is_taken_at_once_where_a_setting_says_so(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path, "A001", "A002")
    before = dock.sent.image_hash()
    with Watching(dock.station.installation) as watching:
        dock.sent.mount(read_only=True)
        said = watching.wait_for(received)
        assert (said["answer"], said["copies_counted"]) == ("as-sent", 2), watching.told()
        assert "erase" not in str(said).lower()
        dock.assert_received()
        assert not [each for each in watching.said if each["type"] in ("verdict", "card-left")]
        status = dock.station.installation.run("status").out
        assert "as sent" in status
        assert not any(word in status for word in ("KEEP", "NOT PROVEN", "safe"))
    dock.sent.unmount()
    assert dock.sent.image_hash() == before


def test_status_follows_a_delivery_as_it_does_a_card(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path, large=12 << 20)
    installation = dock.station.installation
    # Slow enough that it is still at work after five commands of a busy machine.
    slow = throttled(dock.sent.device, read_bytes_s=1 << 19)
    with slow as let_go, Watching(installation) as watching:
        dock.sent.mount()
        watching.wait_for(lambda said: said.get("step") == "copying")
        shown: Said = {}

        def is_shown() -> bool:
            # B001, the large roll, comes after a small one.
            (shown["other"],) = installation.run("status", "--json").result["others"]
            run = shown["other"]["run"]
            return bool(run and run["roll"] == "B001" and run["done_bytes"])

        watching.wait_until(is_shown)
        run = shown["other"]["run"]
        assert run["total_bytes"] >= 12 << 20
        assert {each["name"] for each in run["drives"]} == {"shuttle-1", "shuttle-2"}
        screen = installation.run("status").out
        assert "Nothing is said of this delivery yet." in screen
        assert "read from the delivery" in screen
        assert screen.count("busy") == 2
        assert not any(word in screen for word in ("KEEP", "card", "safe"))
        rest = installation.run("drive", "rest", "shuttle-1")
        assert rest.code == 2 and "busy with B001" in rest.err
        let_go()
        watching.wait_for(received)
        assert installation.run("status", "--json").result["others"][0]["run"] is None


def test_delivery_received_once_is_not_received_at_each_start(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path)
    dock.sent.mount()
    with Watching(dock.station.installation) as watching:
        watching.wait_for(received)
        assert watching.stop().code == 0
    with Watching(dock.station.installation) as watching:
        watching.wait_for(
            lambda said: "received already" in str(said.get("why", "")) or received(said)
        )
        assert not [each for each in watching.said if received(each)]


def test_delivery_pulled_out_goes_on_when_put_back(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path, large=20 << 20)
    slow = throttled(dock.sent.device, read_bytes_s=8 << 20)
    with slow, Watching(dock.station.installation) as watching:
        dock.sent.mount()
        watching.wait_for(lambda said: said.get("step") == "copying")
        dock.sent.unmount_lazy()
        watching.wait_for(lambda said: said["type"] == "volume-left")
        told = watching.wait_for(lambda said: said["type"] == "trouble")
        assert "Put it back" in told["text"]
        dock.sent.put_back()
        said = watching.wait_for(received)
        assert (said["answer"], said["copies_counted"]) == ("as-sent", 2), watching.told()
        dock.assert_received()


def test_killed_station_goes_on_with_a_delivery(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path, large=6 << 20)
    dock.sent.mount()
    with throttled(dock.sent.device, read_bytes_s=4 << 20):
        for step in ("copying", "proving"):
            with Watching(dock.station.installation) as watching:
                watching.wait_for(lambda said, step=step: said.get("step") == step)
                watching.kill()
    with Watching(dock.station.installation) as watching:
        said = watching.wait_for(received)
        assert (said["answer"], said["copies_counted"]) == ("as-sent", 2), watching.told()
        dock.assert_received()


def test_delivery_waits_for_a_drive_by_name(rack: Rack, tmp_path: Path) -> None:
    dock = Dock(rack, tmp_path)
    away = dock.station.drives[1]
    away.unmount()
    with Watching(dock.station.installation) as watching:
        dock.sent.mount()
        said = watching.wait_for(received)
        assert (said["answer"], said["is_copied"]) == ("as-sent", False)
        waits = watching.wait_for(lambda said: said["type"] == "lined")
        assert waits["drives"] == ["shuttle-2"]
        away.mount()
        again = watching.wait_for(received)
        assert again["is_copied"], watching.told()
        dock.assert_received()
