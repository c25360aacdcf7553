"""The station under a real service manager: begun, ended, killed, hanging."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.images import Rack
from tests.lab.processes import TOP
from tests.lab.service_manager import ServiceManager
from tests.lab.station import Set

pytestmark = pytest.mark.lab

_INSTALL = str(TOP / "scripts" / "install-service")
_UNIT = "offload.service"


@pytest.fixture
def station(rack: Rack, tmp_path: Path) -> Set:
    return Set.make(rack, tmp_path)


@pytest.fixture
def manager(station: Set, tmp_path: Path) -> Iterator[ServiceManager]:
    environment = station.installation.environment
    with ServiceManager(tmp_path, "tests.lab.loops_as_disks", environment) as made:
        made.wait_ready()
        yield made


def test_card_is_cleared_by_a_service_that_was_killed_and_began_anew(
    station: Set, manager: ServiceManager
) -> None:
    done = manager.run([_INSTALL, "--start"])
    # It returns once the station has told that it is ready (systemd.service(5), Type=notify).
    assert done.returncode == 0, done.stderr
    begun = manager.facts(_UNIT)
    assert (begun["ActiveState"], begun["Type"]) == ("active", "notify")
    assert begun["StatusText"] and "\n" not in begun["StatusText"]

    os.kill(int(begun["MainPID"]), signal.SIGKILL)
    manager.wait_until(
        lambda: (
            manager.facts(_UNIT)["NRestarts"] == "1"
            and manager.facts(_UNIT)["ActiveState"] == "active"
        )
    )
    card = station.card("card", "A001")
    card.mount()
    manager.wait_until(lambda: _is_safe(station))
    station.assert_copied(card)

    assert manager.run([_INSTALL, "--remove"]).returncode == 0
    ended = manager.facts(_UNIT)
    assert (ended["ActiveState"], ended["Result"]) == ("inactive", "success")
    assert not list((manager.home / ".config").rglob("offload.service"))


def test_station_that_hangs_is_begun_anew(manager: ServiceManager) -> None:
    assert manager.run([_INSTALL]).returncode == 0
    shorter = manager.home / ".config" / "systemd" / "user" / f"{_UNIT}.d"
    shorter.mkdir()
    (shorter / "shorter.conf").write_text(
        "[Service]\nWatchdogSec=3\nTimeoutAbortSec=1\nRestartSec=0\n"
    )
    manager.systemctl("daemon-reload")
    manager.systemctl("start", _UNIT)
    begun = manager.facts(_UNIT)
    assert begun["ActiveState"] == "active"
    os.kill(int(begun["MainPID"]), signal.SIGSTOP)
    manager.wait_until(
        lambda: (
            manager.facts(_UNIT)["NRestarts"] != "0"
            and manager.facts(_UNIT)["ActiveState"] == "active"
        )
    )
    again = manager.facts(_UNIT)
    assert again["MainPID"] not in ("0", begun["MainPID"])


def _is_safe(station: Set) -> bool:
    cards = station.installation.run("status", "--json").result["cards"]
    return bool(cards and cards[0]["was_safe_ns"])
