"""Which volumes are any of the station's business, before anything on them is looked at."""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from offload.ledger import Ledger, drives
from offload.settings import Drive, Settings
from offload.settings.values import Cards
from offload.station.sorting import Business, business_of
from offload.volumes.volume import Volume

CARD = Volume(
    b"/media/me/CARD", b"/dev/none1", "exfat", (), False, "0:0", 7, True, label="CARD",
    volume_id="1234-ABCD",
)  # fmt: skip
SETTINGS = Settings(
    cards=Cards(watch=(b"/media/me",)),
    drives=(Drive("shuttle-1", volume="aaaa"), Drive("server", path=b"/media/me/SRV/footage")),
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(os.fsencode(tmp_path)) as opened:
        yield opened


def test_volume_where_cards_appear_may_be_a_card(ledger: Ledger) -> None:
    assert business_of(CARD, SETTINGS, ledger) is Business.MAYBE_CARD


@pytest.mark.parametrize(
    "volume",
    [
        replace(CARD, mount_point=b"/srv/other"),
        replace(CARD, mount_point=b"/media/me2/CARD"),
        replace(CARD, fs_type="nfs4", source=b"server:/export"),
        replace(CARD, fs_type="tmpfs"),
    ],
    ids=["elsewhere", "only-alike", "share", "memory"],
)
def test_volume_is_none_of_its_business(ledger: Ledger, volume: Volume) -> None:
    assert business_of(volume, SETTINGS, ledger) is Business.NONE


@pytest.mark.parametrize("word", ["CARD", "1234-ABCD", "/media/me/CARD"])
def test_volume_that_a_setting_ignores_is_left_alone(ledger: Ledger, word: str) -> None:
    cards = replace(SETTINGS.cards, ignore=(word,))
    assert business_of(CARD, replace(SETTINGS, cards=cards), ledger) is Business.NONE


def test_drive_is_a_drive_wherever_it_is_mounted(ledger: Ledger) -> None:
    for place in (b"/media/me/S1", b"/srv/somewhere"):
        drive = replace(CARD, mount_point=place, volume_id="aaaa")
        assert business_of(drive, SETTINGS, ledger) is Business.DRIVE


def test_volume_that_holds_a_drives_folder_is_that_drive(ledger: Ledger) -> None:
    volume = replace(CARD, mount_point=b"/media/me/SRV")
    assert business_of(volume, SETTINGS, ledger) is Business.DRIVE


def test_drive_of_the_ledger_is_never_a_card(ledger: Ledger) -> None:
    hints = drives.DriveHints(
        "old", CARD.volume_id, "m", b"/media/me/OLD", "exfat", frozenset(), 1, 1
    )
    number = drives.use(ledger, hints, 1)
    drives.retire(ledger, number, 2)
    assert business_of(CARD, SETTINGS, ledger) is Business.KNOWN_DRIVE
