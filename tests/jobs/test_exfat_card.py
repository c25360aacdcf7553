"""A real exFAT card image is the same bytes before and after everything that is done with it.

Sources: the *exFAT file system specification* (2019): 3.1 (boot sector, volume flags), 6.2
and 6.3.3 (directory entries and the checksum over a set of them), 7.4 (file directory entry:
access time stamp, its 10 ms part does not exist, its offset from UTC). Clips are ProRes in MOV.
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.cli.stations import Bench
from tests.lab import oracle
from tests.lab.cards import plain_roll, write_roll, write_tree
from tests.lab.faultfs import FaultFs
from tests.lab.images import EXFAT, EXT4, Rack
from tests.lab.processes import Done

pytestmark = pytest.mark.lab

_ENTRY = 32
_FILE_ENTRY = 0x85
_SET_CHECKSUM = range(2, 4)
_ACCESSED = range(16, 20)
_ACCESSED_OFFSET = range(24, 25)
_BLOCK = 4096


@dataclass
class Card:
    """An exFAT card with a camera's roll on it, and two drives."""

    bench: Bench
    before: bytes = b""
    after: bytes = b""
    told: object = None

    @classmethod
    def make(cls, rack: Rack, tmp_path: Path) -> "Card":
        bench = Bench(rack, tmp_path, card=EXFAT, drives=(EXFAT, EXT4))
        # These are real clips, and looking into them reads the card too.
        bench.station.settings.write_text('[copies]\nreserve = "0 B"\n')
        write_roll(bench.card.root, clip_count=3)
        bench.card.sync()
        bench.card.unmount()
        bench.card.detach()
        return cls(bench)

    def run(self, *words: str) -> Done:
        station = self.bench.station
        with forked(words, station.environment, station.home.parent) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def do_everything(self) -> list[str]:
        """Every verb that takes a card, each way of copying and checking; notices of the first."""
        card = str(self.bench.card.root)
        truth = oracle.content_of(self.bench.card.root)
        ins = [word for drive in self.bench.drives for word in ("--in", str(drive.root))]
        copied = self.run(*self.bench.words("--json"))
        assert copied.result["verdict"] == "cleared", copied.out + copied.err
        for words in (
            ("check", card),
            ("check", card, "--read"),
            ("check", card, *ins),
            ("copy", card, *self.bench.to, "--roll", "A001", "--missing"),
            ("copy", card, *self.bench.to, "--roll", "A001", "--card-reads", "1"),
        ):
            done = self.run(*words)
            assert done.code == 0, done.out + done.err
        for drive in self.bench.drives:
            assert oracle.copies_in(oracle.content_of(drive.root), truth) == [b"A001"]
        return [notice["code"] for notice in copied.result["notices"]]

    def changes_by(self, mount: Callable[[], None], work: Callable[[], object]) -> list[int]:
        """Offsets of the image's bytes that differ after mounting, work and unmounting."""
        card = self.bench.card
        before = card.image.read_bytes()
        mount()
        try:
            self.told = work()
        finally:
            card.unmount()
            card.detach()
        after = card.image.read_bytes()
        assert len(before) == len(after)
        self.before, self.after = before, after
        # Block by block: a byte at a time would take longer than everything else here.
        return [
            at
            for block in range(0, len(before), _BLOCK)
            if before[block : block + _BLOCK] != after[block : block + _BLOCK]
            for at in range(block, block + _BLOCK)
            if before[at] != after[at]
        ]


@pytest.fixture
def card(rack: Rack, tmp_path: Path) -> Card:
    return Card.make(rack, tmp_path)


def test_card_mounted_read_only_is_byte_identical_afterwards(card: Card) -> None:
    volume = card.bench.card
    before = volume.image_hash()
    assert card.changes_by(lambda: volume.mount(read_only=True), card.do_everything) == []
    assert card.told == ["sound-channel-copied"], "of the card's stamps nothing is said"
    assert volume.image_hash() == before


def test_card_mounted_without_access_times_is_byte_identical_afterwards(card: Card) -> None:
    # The mount table does not tell this driver's option, so the answer may name the danger still.
    volume = card.bench.card
    before = volume.image_hash()
    mount = lambda: volume.mount(options=("noatime",))  # noqa: E731
    assert card.changes_by(mount, card.do_everything) == []
    assert volume.image_hash() == before


def test_image_shows_a_single_write(card: Card) -> None:
    """That the comparison can fail: one file touched is seen."""
    volume = card.bench.card
    touch = lambda: os.utime(volume.root / "INDEX.TXT", (1, 1_600_000_000))  # noqa: E731
    assert card.changes_by(lambda: volume.mount(options=("noatime",)), touch)


def test_card_mounted_as_usual_differs_in_access_stamps_only(card: Card) -> None:
    """The driver stamps what is read; the answer says so, and nothing else has moved."""
    volume = card.bench.card
    changed = card.changes_by(volume.mount, card.do_everything)
    assert changed, "this driver was expected to stamp access times on a usual mount"
    for at in changed:
        entry, field = at - at % _ENTRY, at % _ENTRY
        assert card.before[entry] == card.after[entry] == _FILE_ENTRY, f"byte {at} is no file's"
        stamps = (*_ACCESSED, *_ACCESSED_OFFSET, *_SET_CHECKSUM)
        assert field in stamps, f"byte {field} of the entry at {entry} is no access stamp"
    for entry in {at - at % _ENTRY for at in changed}:
        assert _checksum_holds(card.after, entry)
    assert card.told == ["card-stamped", "sound-channel-copied"]


def _checksum_holds(image: bytes, entry: int) -> bool:
    """The checksum over a set of directory entries (6.3.3, figure 2)."""
    count = image[entry + 1] + 1
    total = 0
    for at in range(count * _ENTRY):
        if at in _SET_CHECKSUM:
            continue
        total = ((total << 15 | total >> 1) + image[entry + at]) & 0xFFFF
    return total == int.from_bytes(image[entry + 2 : entry + 4], "little")


def test_no_operation_that_writes_reaches_a_card(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> None:
    """Whatever a driver would make of it: nothing that changes anything is ever asked of a card."""
    faulty = faulty_disk("card")
    write_tree(faulty.backing, plain_roll(files=3, size_bytes=50_000))
    card = Card(Bench(rack, tmp_path))
    card.bench.card.root = faulty.root
    card.do_everything()
    assert faulty.counts()["read"] > 0
    assert faulty.written() == []
