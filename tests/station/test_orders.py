"""Settings edited while the station works: right ones are taken, wrong ones change nothing."""

import os
from pathlib import Path

import pytest

from offload.errors import SettingsError
from offload.jobs.volume_kind import Looked, VolumeKind
from offload.jobs.wishes import Wish
from offload.settings import Given, load
from offload.station.orders import OrderBook, Orders
from offload.values.facts import Policy


class Book:
    """A settings file and its reader."""

    def __init__(self, folder: Path, text: str) -> None:
        self.file = folder / "offload.toml"
        self.edit(text)

    def edit(self, text: str) -> None:
        new = self.file.with_suffix(".new")
        new.write_text(text)
        new.replace(self.file)

    def read(self) -> Orders:
        settings = load(Given(b"/", b"/", b"/", settings_option=os.fsencode(self.file)))
        return Orders(
            settings,
            Policy(settings.copies.needed),
            lambda _: Looked(VolumeKind.UNKNOWN),
            lambda card, roll: Wish(card, (), roll),
        )


def test_edit_is_taken(tmp_path: Path) -> None:
    book = Book(tmp_path, "[copies]\nneeded = 2\n")
    orders = OrderBook(book.read)
    assert not orders.refresh()
    book.edit("[copies]\nneeded = 3\n")
    assert orders.refresh()
    assert orders.orders.policy.copies_needed == 3
    assert not orders.refresh()


def test_wrong_edit_is_told_once_and_changes_nothing(tmp_path: Path) -> None:
    book = Book(tmp_path, "[copies]\nneeded = 2\n")
    orders = OrderBook(book.read)
    book.edit("[copies]\nneeded = 0\n")
    with pytest.raises(SettingsError, match="line 2"):
        orders.refresh()
    assert orders.orders.policy.copies_needed == 2
    assert not orders.refresh()
    book.edit("[copies]\nneeded = 1\n")
    assert orders.refresh() and orders.orders.policy.copies_needed == 1


def test_file_that_is_gone_for_a_moment_changes_nothing(tmp_path: Path) -> None:
    book = Book(tmp_path, "[copies]\nneeded = 2\n")
    orders = OrderBook(book.read)
    book.file.unlink()
    assert not orders.refresh()
    book.edit("[copies]\nneeded = 2\n# a comment\n")
    orders.refresh()
    assert orders.orders.policy.copies_needed == 2
