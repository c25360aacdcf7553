"""What the station says and notes of a volume that does not come to rest. No real volume needed."""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from offload.jobs.surroundings import Surroundings
from offload.jobs.tools import Tools
from offload.jobs.volume_kind import Looked
from offload.jobs.wishes import Wish
from offload.ledger import queue as line
from offload.ledger.database import Ledger
from offload.ledger.queue import Stage
from offload.record.keys import station_key
from offload.settings import Given, load
from offload.station.events import CardLeft, Recognised, StationEvent
from offload.station.hooks import Hooks
from offload.station.means import Means
from offload.station.notify import Notifier
from offload.station.orders import OrderBook, Orders
from offload.station.reception import Reception
from offload.values.facts import Policy
from offload.volumes.volume import Volume
from offload.volumes.watch import Watcher


def _never(*_: object) -> Looked | Wish:
    raise AssertionError("it has not come to rest")


@pytest.fixture
def told() -> list[StationEvent]:
    return []


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(os.fsencode(tmp_path / "home")) as opened:
        yield opened


@pytest.fixture
def reception(tmp_path: Path, ledger: Ledger, told: list[StationEvent]) -> Reception:
    (tmp_path / "offload.toml").write_text('[cards]\nwatch = ["/media"]\n')
    place = os.fsencode(tmp_path)
    settings = load(Given(place, place, place, settings_option=place + b"/offload.toml"))
    orders = Orders(settings, Policy(), _never, _never)  # type: ignore[arg-type]
    machine, key = Surroundings(), station_key(ledger.home)
    means = Means(
        ledger,
        machine,
        lambda sink, is_stopped: Tools(ledger, key, machine, sink=sink, is_stopped=is_stopped),
        _never,  # type: ignore[arg-type]
        _never,  # type: ignore[arg-type]
        Hooks({}, lambda text: None),
        told.append,
        Notifier(""),
        Watcher(),
    )
    return Reception(OrderBook(lambda: orders), means, lambda work: work(), _raise)


def _raise(error: Exception) -> None:
    raise error


CARD = Volume(b"/media/A001", b"/dev/sdz1", "exfat", (), False, "8:417", 77, True)


def test_volume_that_never_rests_is_told_with_what_to_do(
    reception: Reception, ledger: Ledger, told: list[StationEvent]
) -> None:
    reception.came(CARD)
    reception.restless(CARD)
    said = told[-1]
    assert isinstance(said, Recognised) and said.kind == "restless"
    assert said.text.startswith("KEEP IT. Something keeps writing to it")
    assert said.command == (b"offload", b"copy", b"/media/A001")
    (row,) = line.in_line(ledger)
    assert (row.stage, row.why) == (Stage.ASKING, "something keeps writing to it; not begun")


def test_volume_that_leaves_restless_was_not_proven(
    reception: Reception, told: list[StationEvent]
) -> None:
    reception.came(CARD)
    reception.restless(CARD)
    reception.left(CARD)
    said = told[-1]
    assert isinstance(said, CardLeft) and not said.was_safe
    assert "NOT PROVEN" in said.text


def test_lost_card_is_called_by_its_roll_and_by_its_label(
    reception: Reception, told: list[StationEvent]
) -> None:
    """The roll comes from the clips' names; on the card in somebody's hand stands another."""
    card = replace(CARD, label="UNTITLED")
    reception.came(card)
    reception.restless(card)
    (visit,) = reception._register.visits.values()
    visit.roll = "B001"
    reception.left(card)
    said = told[-1]
    assert isinstance(said, CardLeft)
    assert said.text.startswith("B001 (label UNTITLED) HAS LEFT THE READER AND IS NOT PROVEN")
