"""The copying pass against a card that fails, changes, lies short or vanishes.

The card is a folder behind a file system that does one thing wrong at a chosen operation; the
drives are two ordinary folders. What lies there in the end is compared byte by byte.
"""

import hashlib
import os
import random
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from offload.transfer.pump import BUFFER_BYTES
from offload.values.facts import CardState, CopyState
from tests.lab.faultfs import Fault, FaultFs
from tests.transfer.passes import Passes, Target

pytestmark = pytest.mark.lab

FIRST, LARGE, LAST = b"CLIPS/A001C001.mov", b"CLIPS/A001C002.mov", b"CLIPS/A001C003.mov"
LARGE_BYTES = 2 * BUFFER_BYTES + 12_345
MIDDLE = BUFFER_BYTES + 100_000
DRIVES = ("shuttle-1", "shuttle-2")


@dataclass
class Card:
    """A card of three clips that can go wrong, and what two drives got of it."""

    faulty: FaultFs
    folder: Path
    truth: dict[bytes, bytes]
    passes: Passes

    @classmethod
    def of(cls, faulty: FaultFs, folder: Path, truth: dict[bytes, bytes]) -> "Card":
        for path, content in truth.items():
            place = faulty.backing / os.fsdecode(path)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
        drives = []
        for name in DRIVES:
            (folder / name).mkdir()
            drives.append((folder / name, Target(name, b"A001")))
        return cls(faulty, folder, truth, Passes.of(faulty.root, drives))

    def card_state(self, path: bytes) -> int:
        return self.passes.result.card_states[self.passes.number(path)]

    def drive_state(self, name: str, path: bytes) -> int:
        return self.passes.result.drive_states[name][self.passes.number(path)]

    def codes(self) -> list[tuple[str, bytes]]:
        return [(found.code, found.path) for found in self.passes.result.findings]

    def assert_copied(self, *but: bytes) -> None:
        """Everything but these is on both drives, equal; of these not even a name."""
        for name in DRIVES:
            top = self.folder / name / "A001"
            there = {
                os.fsencode(path.relative_to(top)): path.read_bytes()
                for path in top.rglob("*")
                if path.is_file()
            }
            assert there == {p: c for p, c in self.truth.items() if p not in but}
            for path in self.truth:
                state = self.drive_state(name, path)
                assert (state == CopyState.WRITTEN) == (path not in but), path
        for path in but:
            assert self.passes.result.digests.get("xxh128", self.passes.number(path)) is None


@pytest.fixture
def card(tmp_path: Path, faulty: Callable[..., FaultFs]) -> Iterator[Card]:
    source = random.Random(1)
    truth = {
        FIRST: source.randbytes(70_001),
        LARGE: source.randbytes(LARGE_BYTES),
        LAST: source.randbytes(300_000),
    }
    made = Card.of(faulty("card", direct_io=True), tmp_path, truth)
    try:
        yield made
    finally:
        made.passes.close()


def pattern(path: bytes) -> str:
    return os.fsdecode(path).replace(".", r"\.")


# --- reading


def test_every_byte_is_asked_of_the_card_once(
    tmp_path: Path, faulty: Callable[..., FaultFs]
) -> None:
    source = random.Random(2)
    truth = {b"%d.mov" % at: source.randbytes(size) for at, size in enumerate((70_001, 9_000_001))}
    card = Card.of(faulty("card"), tmp_path, truth)
    try:
        card.passes.copy()
        card.assert_copied()
        calls = [call for call in card.faulty.calls() if call.op == "read"]
        for path, content in truth.items():
            asked = [call for call in calls if call.path == os.fsdecode(path)]
            whole = -(-len(content) // 4096) * 4096
            assert sum(min(call.size, whole - call.offset) for call in asked) == whole
    finally:
        card.passes.close()


def test_checksums_are_those_of_the_stock_tools(card: Card) -> None:
    """Reference tools: ``sha512sum`` (GNU coreutils), ``xxhsum -H2`` (xxHash)."""
    card.passes.copy()
    digests = card.passes.result.digests
    for path in card.truth:
        number = card.passes.number(path)
        place = os.path.join(os.fsencode(card.faulty.backing), path)
        for tool, name in ((["sha512sum"], "c4"), (["xxhsum", "-H2"], "xxh128")):
            said = subprocess.run([*tool, place], check=True, capture_output=True).stdout
            found = digests.get(name, number)
            assert found is not None
            assert found.hex().encode() == said.split()[0]


@pytest.mark.parametrize("at", [0, MIDDLE, LARGE_BYTES - 1], ids=["start", "middle", "end"])
def test_read_error_that_happens_once_is_read_again(card: Card, at: int) -> None:
    card.faulty.plan(Fault("read", path=pattern(LARGE), at=at))
    card.passes.copy()
    assert card.faulty.struck == 1
    assert card.codes() == []
    card.assert_copied()


@pytest.mark.parametrize("at", [0, MIDDLE, LARGE_BYTES - 1], ids=["start", "middle", "end"])
def test_file_that_stays_unreadable_leaves_no_name_and_the_others_go_on(
    card: Card, at: int
) -> None:
    card.faulty.plan(Fault("read", path=pattern(LARGE), at=at, count=0))
    card.passes.copy()
    assert card.card_state(LARGE) == CardState.UNREADABLE
    assert card.codes() == [("unreadable-on-card", LARGE)]
    card.assert_copied(LARGE)
    # Smaller pieces were tried, and not for ever.
    sizes = [call.size for call in card.faulty.calls() if call.effect]
    assert min(sizes) <= 4096
    assert len(sizes) < 20


def test_read_error_that_smaller_pieces_cure_costs_nothing(card: Card) -> None:
    """A reader that fails at large requests over a bad spot and succeeds at small ones."""
    card.faulty.plan(Fault("read", path=pattern(LARGE), at=MIDDLE, count=3))
    card.passes.copy()
    assert card.faulty.struck == 3
    card.assert_copied()


@pytest.mark.parametrize("error", ["EACCES", "EPERM", "ENOENT", "EIO", "EMFILE"])
def test_file_that_cannot_be_opened_is_named(card: Card, error: str) -> None:
    card.faulty.plan(Fault("open", path=pattern(FIRST), errno=error, count=0))
    card.passes.copy()
    assert card.card_state(FIRST) == CardState.UNREADABLE
    assert card.codes() == [("unreadable-on-card", FIRST)]
    card.assert_copied(FIRST)


def test_short_reads_are_made_whole(card: Card) -> None:
    card.faulty.plan(Fault("read", "short", count=0, path=pattern(LARGE)))
    card.passes.copy()
    assert card.faulty.struck > 2
    card.assert_copied()


def test_no_shortcut_of_the_system_moves_bytes_unseen(
    card: Card, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shortcuts have reported success and left holes elsewhere (field experience)."""

    def refuse(*_: object, **__: object) -> int:
        raise AssertionError("a shortcut was used")

    for name in ("sendfile", "copy_file_range", "splice"):
        if hasattr(os, name):
            monkeypatch.setattr(os, name, refuse)
    card.passes.copy()
    card.assert_copied()


SIZES = (0, 1, 4095, 4096, 4097, (1 << 20) - 1, 1 << 20, (1 << 20) + 1)
EDGES = (BUFFER_BYTES - 1, BUFFER_BYTES, BUFFER_BYTES + 1, 2 * BUFFER_BYTES)


def test_sizes_around_every_edge_come_out_equal(
    tmp_path: Path, faulty: Callable[..., FaultFs]
) -> None:
    source = random.Random(7)
    sizes = [*SIZES, *EDGES, *(source.randrange(200_000) for _ in range(40))]
    truth = {b"%03d.mov" % at: source.randbytes(size) for at, size in enumerate(sizes)}
    made = Card.of(faulty("card"), tmp_path, truth)
    try:
        made.passes.copy()
        made.assert_copied()
        for path, content in truth.items():
            found = made.passes.result.digests.get("c4", made.passes.number(path))
            assert found == hashlib.sha512(content).digest()
    finally:
        made.passes.close()


# --- a card that changes


def while_reading(card: Card, change: Callable[[Path], None]) -> None:
    """Copy; in the middle of the large clip the reading waits while something changes it."""
    card.faulty.plan(Fault("read", "hang", path=pattern(LARGE), at=MIDDLE))
    thread = threading.Thread(target=card.passes.copy)
    thread.start()
    try:
        card.faulty.wait_hanging()
        change(card.faulty.backing / os.fsdecode(LARGE))
    finally:
        card.faulty.release()
        thread.join()


def grow(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"more" * 5000)


def shrink(path: Path) -> None:
    os.truncate(path, BUFFER_BYTES)


def shrink_a_little(path: Path) -> None:
    os.truncate(path, LARGE_BYTES - 1)


def rewrite_and_restore_its_time(path: Path) -> None:
    facts = path.stat()
    with path.open("r+b") as file:
        file.write(b"four")
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def touch(path: Path) -> None:
    os.utime(path)


@pytest.mark.parametrize(
    "change", [grow, shrink, shrink_a_little, rewrite_and_restore_its_time, touch]
)
def test_file_that_changes_while_it_is_read_is_no_copy(
    card: Card, change: Callable[[Path], None]
) -> None:
    while_reading(card, change)
    assert card.card_state(LARGE) == CardState.CHANGED
    assert card.codes() == [("changed-on-card", LARGE)]
    card.assert_copied(LARGE)


def test_file_that_goes_while_it_is_read_is_no_copy(card: Card) -> None:
    while_reading(card, Path.unlink)
    assert card.card_state(LARGE) in (CardState.CHANGED, CardState.UNREADABLE)
    card.assert_copied(LARGE)


@pytest.mark.parametrize("change", [grow, shrink, touch])
def test_file_that_changed_after_the_listing_is_no_copy(
    card: Card, change: Callable[[Path], None]
) -> None:
    change(card.faulty.backing / os.fsdecode(FIRST))
    card.passes.copy()
    assert card.card_state(FIRST) == CardState.CHANGED
    card.assert_copied(FIRST)


def as_pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def as_link(path: Path) -> None:
    path.unlink()
    path.symlink_to("A001C003.mov")


def as_link_outside(path: Path) -> None:
    path.unlink()
    path.symlink_to("/etc/hostname")


def as_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def as_nothing(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("change", [as_pipe, as_link, as_link_outside, as_folder, as_nothing])
def test_what_is_no_file_any_more_is_never_waited_on_or_followed(
    card: Card, change: Callable[[Path], None]
) -> None:
    change(card.faulty.backing / os.fsdecode(FIRST))
    card.passes.copy()
    assert card.card_state(FIRST) == CardState.UNREADABLE
    card.assert_copied(FIRST)


# --- a card that vanishes, a user who stops


@pytest.mark.parametrize("error", ["EIO", "ENODEV", "ENXIO", "ESTALE", "ENOMEDIUM"])
def test_vanished_card_ends_the_pass_at_once(card: Card, error: str) -> None:
    card.faulty.plan(
        Fault("read", path=pattern(LARGE), at=MIDDLE, count=0, errno=error),
        Fault("open", path=pattern(LAST), count=0, errno=error),
    )
    result = card.passes.copy(is_card_present=lambda: error != "EIO")
    assert result.is_card_gone
    assert card.card_state(LAST) == CardState.NOT_READ
    card.assert_copied(LARGE, LAST)
    # It may have been asked for ahead of the error; nobody goes on asking after it. (The kernel by
    # itself looks a second time after ESTALE.)
    opened = [call for call in card.faulty.calls() if call.op == "open"]
    tried = 2 if error == "ESTALE" else 1
    assert sum(LAST in os.fsencode(call.path) for call in opened) <= tried


def test_card_whose_driver_dies_ends_the_pass(card: Card) -> None:
    card.faulty.plan(Fault("read", "hang", path=pattern(LARGE), at=MIDDLE))
    thread = threading.Thread(target=lambda: card.passes.copy(is_card_present=lambda: False))
    thread.start()
    card.faulty.wait_hanging()
    card.faulty.vanish()
    thread.join(60)
    assert not thread.is_alive()
    assert card.passes.result.is_card_gone
    for path in (LARGE, LAST):
        assert card.card_state(path) != CardState.READ_EQUAL
    for name in DRIVES:
        top = card.folder / name / "A001"
        # What was read before and not taken yet may be lost with the card; nothing is half there.
        whole = {path.name: path.read_bytes() for path in top.rglob("*.mov")}
        first = card.faulty.backing / os.fsdecode(FIRST)
        assert whole in ({}, {first.name: first.read_bytes()})


@pytest.mark.parametrize("after", range(6))
def test_stopping_leaves_whole_files_or_none(card: Card, after: int) -> None:
    asked = 0

    def is_stopped() -> bool:
        nonlocal asked
        asked += 1
        return asked > after

    result = card.passes.copy(is_stopped=is_stopped)
    for name in DRIVES:
        top = card.folder / name / "A001"
        for path in top.rglob("*") if top.exists() else ():
            if path.is_file():
                assert path.read_bytes() == card.truth[os.fsencode(path.relative_to(top))]
    assert result.is_stopped
