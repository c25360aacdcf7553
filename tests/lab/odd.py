"""Cases beside the errors of one operation: drives that are odd all the time, drives that are full
to the byte, rarer errors, and entries that never reach the medium.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from tests.lab import cards
from tests.lab.cards import FOLDER, Item
from tests.lab.cases import call_sites, in_turns, kinds_of, made
from tests.lab.faultfs import Call, Fault, Quirks
from tests.lab.faultplan import WRITING
from tests.lab.stage import CARD, DRIVES, EARLIER, LEDGER, Case

_FIRST, _SECOND = DRIVES
ODD_NAMES = (
    *cards.plain_roll(files=2, size_bytes=9_000),
    Item(b"CLIPS/take.mov", content=b"lower case" * 300),
    Item(b"CLIPS/TAKE.mov", content=b"upper case" * 300),
    Item("CLIPS/caf\u00e9.mov".encode(), content=b"composed" * 300),
    Item("CLIPS/cafe\u0301.mov".encode(), content=b"split" * 300),
    Item(b"NOTES. ", content=b"a name that ends with a dot and a blank"),
    Item(b"Folder", FOLDER),
    Item(b"FOLDER/one.txt", content=b"one", mtime_ns=cards.SHOT_AT_NS + 1_999_999_999),
)
"""Names that some file systems take for one another, and a time that many round."""

_ALONE = tuple(
    item
    for item in ODD_NAMES
    if item.path not in (b"CLIPS/TAKE.mov", "CLIPS/cafe\u0301.mov".encode(), b"Folder")
)
"""The same without conflicts: a card of such a file system cannot hold both of two."""

TINY = (Item(b"CLIPS/A001C001.mov", content=bytes(range(256)) * 2),)
"""A card so small that each of its bytes can be the last for which there is room."""

_LIES = 1 << 30

_ON_DRIVES: dict[str, Quirks] = {
    "names-folded-in-case": Quirks(fold_case=True),
    "names-shown-in-lower-case": Quirks(fold_case=True, lower_listing=True),
    "names-composed": Quirks(form="NFC"),
    "names-split": Quirks(form="NFD"),
    "names-folded-in-case-and-form": Quirks(fold_case=True, form="NFD"),
    "trailing-dots-dropped": Quirks(strip_dots=True),
    "times-to-2-seconds": Quirks(time_grain_ns=2 * 10**9),
    "exclusive-rename-refused": Quirks(rename_flags="refused"),
    "exclusive-rename-ignored": Quirks(rename_flags="ignored"),
}
# A card that shows its names in another way than they are always does: no tool can see it.
_ON_CARDS = ("names-folded-in-case", "names-split", "times-to-2-seconds")
# Gone with the drive, or once there is room: the same command then has to clear.
_PASSING: dict[str, Quirks] = {
    "read-only": Quirks(is_read_only=True),
    "largest-file-5000": Quirks(largest_bytes=5_000),
    **{
        f"drop-past-{blocks}-blocks": Quirks(real_bytes=blocks * 4096, past_end="drop")
        for blocks in (1, 2, 4, 6, 8, 10, 12)
    },
    # From 10 blocks on the record wraps round into a copy that has been proven: another test's.
    **{
        f"wrap-past-{blocks}-blocks": Quirks(real_bytes=blocks * 4096, past_end="wrap")
        for blocks in (1, 2, 4, 6, 8)
    },
}

_ERRORS = ("EIO", "ENOSPC", "EDQUOT", "EROFS", "ESTALE", "ENODEV", "hang")
_OF_READING = ("EIO", "ESTALE", "ENODEV", "hang")


def quirky() -> Iterator[Case]:
    """Cards and drives that are odd all the time."""
    for kind in _ON_CARDS:
        yield replace(_standing(CARD, kind, _ON_DRIVES[kind]), tree=_ALONE)
    for kind, quirks in _ON_DRIVES.items():
        yield _standing(_FIRST, kind, quirks)
        both = tuple((drive, quirks) for drive in DRIVES)
        yield replace(_standing("drives", kind, quirks), quirks=both)
    for kind, quirks in _PASSING.items():
        yield Case(
            f"{_FIRST} {kind}", (), _FIRST, kind, quirks=((_FIRST, quirks),), spared=(_SECOND,)
        )
    for kind in ("read-only", "largest-file-5000"):
        yield Case(f"{LEDGER} {kind}", (), LEDGER, kind, quirks=((LEDGER, _PASSING[kind]),))


def wraps_into_the_proven(blocks: int) -> Case:
    """A drive whose record is written over the clips that were read back before."""
    quirks = Quirks(real_bytes=blocks * 4096, past_end="wrap")
    return Case(f"{_FIRST} wraps into the proven", (), _FIRST, "wrap", quirks=((_FIRST, quirks),))


def every(places: Sequence[str], baseline: Mapping[str, Sequence[Call]]) -> Iterator[Case]:
    """All of them but the full drives."""
    yield from quirky()
    yield from lost(baseline[_FIRST])
    yield from stale(baseline[_FIRST])
    for place in places:
        yield from rarer(place, baseline[place])


def full(numbers: Iterable[int], *, tells: bool = False) -> Iterator[Case]:
    """The first drive has room for so many bytes, and not for one more.

    Args:
        numbers: bytes of room.
        tells: the room is told truly; else there seemed to be plenty, as where another program
            has filled the drive meanwhile.
    """
    there = sum(len(item.content) for item in EARLIER)
    for number in numbers:
        quirks = Quirks(capacity_bytes=there + number, told_free_bytes=-1 if tells else _LIES)
        kind = "full-and-told" if tells else "full"
        yield Case(
            f"{_FIRST} {kind} at {number}",
            (),
            _FIRST,
            kind,
            tree=TINY,
            quirks=((_FIRST, quirks),),
            spared=(_SECOND,),
        )


def rarer(place: str, calls: Sequence[Call]) -> Iterator[Case]:
    """Errors and hangs that :func:`~tests.lab.cases.short` does not give to an operation.

    They take turns over the call sites, so that each strikes each operation at some site.
    """
    for op, numbers in call_sites(calls).items():
        if not kinds_of(op, place):
            continue
        possible = _ERRORS if op in WRITING or "sync" in op or op == "flush" else _OF_READING
        kinds = tuple(kind for kind in possible if kind not in kinds_of(op, place))
        yield from in_turns(place, op, numbers, kinds)


def lost(calls: Sequence[Call]) -> Iterator[Case]:
    """A folder's entry that never reached the medium, whatever sync has said.

    Lost at every sync of a folder before the names are read back; what is lost after that, and
    before the word, no look can find.
    """
    growing, named = "A001.incomplete", "A001"
    nth = 0
    for call in calls:
        if call.op == "read" and call.path.endswith("A001C001.mov"):
            break
        if call.op == "fsyncdir":
            nth += 1
            for name in (f"{growing}/CLIPS/A001C002.mov", f"{growing}/CLIPS", growing, named):
                fault = Fault("fsyncdir", "forget", nth=nth, name=name)
                case_name = f"{_FIRST} fsyncdir {nth} forget {name}"
                yield Case(case_name, ((_FIRST, fault),), _FIRST, "forget", spared=(_SECOND,))


def stale(calls: Sequence[Call]) -> Iterator[Case]:
    """Each reading of the first drive hands out what lay there before the write, once or always."""
    reads = sum(call.op == "read" for call in calls)
    for nth in range(1, reads + 1):
        for lasting in (False, True):
            case = made(_FIRST, "read", nth, "stale", for_good=lasting)
            if case is not None:
                yield case


def _standing(place: str, kind: str, quirks: Quirks) -> Case:
    return Case(
        f"{place} {kind}",
        (),
        place,
        kind,
        tree=ODD_NAMES,
        quirks=((place, quirks),),
        is_lasting=True,
    )
