"""Two runs at once while a drive that both use fails: real processes, judged by plain tools.

Whatever the two say, the word is given for no card that is not whole on two drives, nothing half
done bears a final name, and once the drive is well the same commands clear both.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.cli.stations import DiskStation
from tests.lab import oracle
from tests.lab.cards import Item, plain_roll, write_tree
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import Rack, Volume
from tests.lab.processes import Child, Done

pytestmark = pytest.mark.lab
Maker = Callable[..., FaultFs]

# Somewhere in the middle of either run: which of the two meets it is left to chance.
FAULTS = {
    "write fails": Fault("write", nth=9, count=3),
    "full": Fault("write", errno="ENOSPC", nth=5, count=0),
    "flipped on the way": Fault("write", "flip_in", path=r".*C002\.mov", count=2),
    "names refused": Fault("rename", nth=2, count=2),
    "gone": Fault("fsync", errno="ENODEV", nth=4, count=0),
}


@dataclass
class Two:
    """Two runs: each a card and its drives.

    Attributes:
        backings: where the drives' bytes lie, by mount point.
    """

    station: DiskStation
    shared: FaultFs
    cards: tuple[Path, Path]
    drives: tuple[list[Path], list[Path]]
    backings: dict[Path, Path]

    def begin(self, number: int) -> Child:
        to = [word for root in self.drives[number] for word in ("--to", str(root))]
        words = ("copy", str(self.cards[number]), *to, "--roll", "A001", "--json")
        return forked(words, self.station.environment, self.station.home.parent)

    def run(self) -> list[Done]:
        """Both at once, to the end."""
        with self.begin(0) as one, self.begin(1) as other:
            done = [one.finish(), other.finish()]
        for each in done:
            each.assert_no_traceback()
        return done

    def copies(self, number: int) -> int:
        backings = [self.backings[root] for root in self.drives[number]]
        return oracle.drives_with_copy(backings, self.truth(number))

    def truth(self, number: int) -> oracle.Content:
        return oracle.content_of(self.cards[number])

    def judge(self, done: list[Done]) -> None:
        """What must hold whatever was said."""
        for number, each in enumerate(done):
            if is_cleared(each):
                assert self.copies(number) == 2, f"FALSE CLEARANCE: {each.out}"
        for backing in self.backings.values():
            seen = oracle.content_of(backing)
            halves = [
                set(oracle.half_done_under_final_name(seen, self.truth(number), b"A001"))
                for number in (0, 1)
            ]
            # Whole is what holds all of the one card or of the other.
            assert not halves[0] & halves[1]
        assert oracle.ledger_faults(self.station.home) == []
        assert self.station.left_processes() == []


def is_cleared(done: Done) -> bool:
    return done.code == 0 and bool(done.lines) and done.result.get("verdict") == "cleared"


def filled(rack: Rack, name: str, tree: tuple[Item, ...]) -> Volume:
    card = rack.volume(name=name)
    (card.root / "lost+found").rmdir()
    write_tree(card.root, tree)
    card.sync()
    return card


@pytest.fixture
def make(rack: Rack, tmp_path: Path, faulty_disk: Maker) -> Callable[[str], Two]:
    def made(how: str) -> Two:
        shared = faulty_disk("shuttle-1")
        own = [rack.volume(name=f"shuttle-{at}").root for at in (2, 3)]
        for root in own:
            (root / "lost+found").rmdir()
        card = filled(rack, "card", plain_roll(files=3, size_bytes=40_000, seed=1)).root
        twin = filled(rack, "twin", plain_roll(files=3, size_bytes=40_000, seed=2)).root
        drives = ([shared.root, own[0]], [shared.root, own[0]])
        if how == "one drive shared":
            drives = ([shared.root, own[0]], [shared.root, own[1]])
        backings = {shared.root: shared.backing, **{root: root for root in own}}
        cards = (card, card) if how == "same card" else (card, twin)
        return Two(DiskStation(tmp_path / "station"), shared, cards, drives, backings)

    return made


@pytest.mark.parametrize(
    ("how", "fault"),
    [
        ("same card", "write fails"),
        ("same card", "gone"),
        ("same roll", "names refused"),
        ("same roll", "flipped on the way"),
        ("one drive shared", "full"),
    ],
)
def test_neither_of_two_runs_lies(make: Callable[[str], Two], how: str, fault: str) -> None:
    two = make(how)
    two.shared.plan(FAULTS[fault])
    two.judge(two.run())
    assert two.shared.struck
    two.shared.plan()
    for number in (0, 1):
        with two.begin(number) as child:
            done = child.finish()
        done.assert_no_traceback()
        assert is_cleared(done), f"stuck after the fault was gone: {done.out} {done.err}"
        assert two.copies(number) == 2
    two.judge([])
