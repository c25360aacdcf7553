"""What already lies under a roll's name on a drive, and what can be made of it.

Rules:

* Nothing on a drive is ever overwritten.
* The same relative path with the same size is a candidate: it is proven in place and not copied.
  It counts for nothing until it has been read again in this run.
* Under the roll's own name everything has to be the card's: a file of another size, or one that is
  neither on the card nor in the record of an earlier part, makes it other material. Only missing
  files are pure additions.
* In a half-done copy of this very card (its ``run.json`` says so) a file of the card that is not
  whole is a leftover of ours, to be removed before copying. Anything else there was put there by
  somebody, and is moved aside.
* A half-done copy of another card, or one that no record explains, is other material.
* Where the drive shows names in another letter case or normal form, they are still the same names.

What desktop systems put into any folder takes no part, nor does the folder of the manifests.
"""

from collections.abc import Container, Mapping
from dataclasses import dataclass
from enum import Enum

from offload.transfer.preflight.name_map import NameMap
from offload.transfer.preflight.names import NameRules, fold
from offload.values.entries import Entries, Kind
from offload.values.paths import name

FOLDER_SIZE = -1
"""Stands for a folder in a listing."""
OTHER_SIZE = -2
"""Stands for a link, a pipe and the like, which can never be what is looked for."""

_HISTORY = b"ascmhl"
_DESKTOP = b".DS_Store"


class Lies(Enum):
    """Under which of the roll's names something lies."""

    NOTHING = "nothing"
    GROWING = "growing"
    """``ROLL.incomplete``."""
    PARTIAL = "partial"
    """``ROLL.partial``: finished but for what could not be read."""
    DONE = "done"
    """``ROLL``."""


class Owner(Enum):
    """Whose it is, by the record beside it."""

    UNKNOWN = "unknown"
    """No record, as beside a copy made by hand."""
    THIS_CARD = "this-card"
    OTHER_CARD = "other-card"


class Use(Enum):
    """What can be made of it."""

    COPY_ALL = "copy-all"
    """Nothing is there."""
    GO_ON = "go-on"
    """A half-done or partial copy of this card: what matches is kept, the rest is copied."""
    PROVE = "prove"
    """All of the card is there: nothing to copy, everything to prove."""
    ADD = "add"
    """All that is there is the card's, and the card has more."""
    REFUSE = "refuse"
    """Other material."""


@dataclass(frozen=True, slots=True)
class Existing:
    """The answer for one drive.

    Attributes:
        use: see there.
        present: a byte for each entry of the card, 1 where a candidate lies; empty for none at all.
        stale: paths in the half-done copy to remove before copying: files of the card that are
            not whole.
        foreign: paths in the half-done copy that are none of the card's, to be moved aside.
        others: paths that make it other material, at most :data:`MOST_OTHERS`.
        shown_differently: how many names the drive shows in another case or form.
    """

    use: Use = Use.COPY_ALL
    present: bytes = b""
    stale: tuple[bytes, ...] = ()
    foreign: tuple[bytes, ...] = ()
    others: tuple[bytes, ...] = ()
    shown_differently: int = 0

    def has(self, number: int) -> bool:
        """Whether a candidate for entry ``number`` lies there."""
        return bool(self.present) and self.present[number] == 1


MOST_OTHERS = 20


def weigh_existing(
    entries: Entries,
    names: NameMap,
    rules: NameRules,
    found: Mapping[bytes, int],
    lies: Lies,
    owner: Owner = Owner.UNKNOWN,
    recorded: Container[bytes] = (),
) -> Existing:
    """What can be made of what lies under a roll's name.

    Args:
        entries: the card's.
        names: how they are written on this drive.
        rules: of this drive.
        found: the listing: path relative to the roll's folder -> size in bytes,
            :data:`FOLDER_SIZE` for a folder, :data:`OTHER_SIZE` for anything else.
        lies: under which name.
        owner: by ``run.json`` or the manifest.
        recorded: paths (as on the drive) that the roll's own record lists beside the card's, from
            an earlier part of a card that keeps growing.
    """
    if lies is Lies.NOTHING:
        return Existing()
    if owner is Owner.OTHER_CARD or (lies is not Lies.DONE and owner is not Owner.THIS_CARD):
        return Existing(Use.REFUSE, others=tuple(sorted(found))[:MOST_OTHERS])
    listing = _Listing(found, rules)
    present, missing, in_the_way, cut = _matched(entries, names, listing)
    rest = sorted(path for path in listing.rest() if path not in recorded)
    if lies is not Lies.DONE and not in_the_way:
        return Existing(
            Use.GO_ON,
            present,
            tuple(path for path in rest if path in cut),
            tuple(path for path in rest if path not in cut),
            shown_differently=listing.differently,
        )
    if rest or in_the_way or not any(present):
        # An empty folder of the roll's name is refused too: the copy could not take its name.
        return Existing(Use.REFUSE, others=(*in_the_way, *rest)[:MOST_OTHERS])
    use = Use.ADD if missing else Use.PROVE
    return Existing(use, present, shown_differently=listing.differently)


class _Listing:
    """What was found, each thing taken once; what is left over is nobody's."""

    def __init__(self, found: Mapping[bytes, int], rules: NameRules) -> None:
        self._rest = {path: size for path, size in found.items() if not _is_beside(path)}
        self._rules = rules
        self._folded: dict[str, bytes] | None = None
        self.differently = 0

    def size_of(self, path: bytes) -> int | None:
        """The size found at a path; None where nothing is."""
        real = self.real(path)
        return None if real is None else self._rest[real]

    def take(self, path: bytes) -> None:
        """This one is the card's."""
        real = self.real(path)
        if real is not None:
            del self._rest[real]
            self.differently += real != path

    def rest(self) -> list[bytes]:
        """What was not taken; folders that hold nothing but what was taken are nobody's loss."""
        return [path for path, size in self._rest.items() if size != FOLDER_SIZE]

    def real(self, path: bytes) -> bytes | None:
        """How the drive shows what lies at a path; None where nothing does."""
        if path in self._rest:
            return path
        if not self._rules.folds:
            return None
        if self._folded is None:
            # Made only when a name is missing: it costs as much as the listing itself.
            self._folded = {self._key(each): each for each in self._rest}
        real = self._folded.get(self._key(path))
        return real if real in self._rest else None

    def _key(self, path: bytes) -> str:
        return fold(path.decode("utf-8", "surrogateescape"), self._rules)


def _matched(
    entries: Entries, names: NameMap, listing: _Listing
) -> tuple[bytes, bool, list[bytes], set[bytes]]:
    """What lies where the card's entries belong.

    Returns:
        Candidates; whether something is missing; folders that lie where a file has to be; what
        lies where a file has to be and is not it.
    """
    present = bytearray(len(entries))
    missing = False
    in_the_way: list[bytes] = []
    cut: set[bytes] = set()
    for number, entry in enumerate(entries):
        if not entry.kind.is_copied:
            continue
        there = names.on_drive(entry.path)
        wanted = FOLDER_SIZE if entry.kind is Kind.FOLDER else entry.size_bytes
        size = listing.size_of(there)
        if size == wanted:
            present[number] = 1
            listing.take(there)
        else:
            missing = True
            if size == FOLDER_SIZE:
                in_the_way.append(there)
            elif (real := listing.real(there)) is not None:
                cut.add(real)
    return bytes(present), missing, in_the_way, cut


def _is_beside(path: bytes) -> bool:
    """Whether a path takes no part: the manifests' folder, what desktop systems put anywhere."""
    is_history = path == _HISTORY or path.startswith(_HISTORY + b"/")
    return is_history or name(path) == _DESKTOP
