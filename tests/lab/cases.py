"""Which faults are tried: every operation of a small offload in turn, then random ones by seed."""

import random
from collections.abc import Iterator, Sequence

from tests.lab import cards
from tests.lab.cards import Item
from tests.lab.faultfs import Call, Fault
from tests.lab.faultplan import WRITING
from tests.lab.stage import CARD, DRIVES, LEDGER, PLACES, Case

USUAL = cards.plain_roll(files=3, size_bytes=9_000)
"""Small enough for thousands of runs; every file ends off a block boundary."""

_ANY = ("EIO",)
# Kinds by operation. Silent ones are named by their effect.
_KINDS: dict[str, tuple[str, ...]] = {
    "open": ("EIO", "ESTALE", "EACCES", "ENODEV"),
    "open-writing": ("EIO", "EROFS", "ENOSPC"),
    "create": ("EIO", "ENOSPC", "EROFS", "EDQUOT"),
    "read": ("EIO", "ENODEV", "ESTALE", "flip_out", "zero_out", "short", "hang"),
    "write": ("EIO", "ENOSPC", "EDQUOT", "flip_in", "drop", "torn", "swap", "short", "hang"),
    "fsync": ("EIO", "ENOSPC", "EDQUOT", "hang"),
    "fsyncdir": ("EIO", "ENOSPC"),
    "flush": ("EIO", "EDQUOT", "cut"),
    "rename": ("EIO", "ENOSPC", "EROFS", "errno_after"),
    "readdir": ("EIO", "EACCES", "leave_out", "double"),
    "opendir": ("EIO", "EACCES"),
    "statfs": ("EIO", "ESTALE"),
    "truncate": ("EIO", "ENOSPC"),
    "utimens": ("EIO", "EPERM"),
    "mkdir": ("EIO", "ENOSPC", "errno_after"),
    "unlink": ("EIO", "EROFS"),
    "getattr": ("EIO", "ESTALE", "ENODEV"),
}
_SILENT = frozenset({"flip_out", "zero_out", "leave_out", "double"})
"""For good, and on the card, nobody can see these: a card that lies the same way always."""

# A failing disk under mapped memory ends the process (SIGBUS), as a kill does; that is tried there.
_NOT_SHARED_MEMORY = r".*(?<!-shm)"
_UNTOLD = frozenset({"release", "releasedir"})
"""Asked for after close has returned: no caller ever learns how they ended."""
_MOST_SITES = 6

_DAMAGING = frozenset({"cut", "ENOSPC", "EDQUOT"})


def kinds_of(op: str, place: str) -> tuple[str, ...]:
    """Kinds of fault that can strike an operation on a place."""
    kinds = () if op in _UNTOLD else _KINDS.get(op, _ANY)
    if place == CARD:
        # What would damage the card itself is no fault of reading it.
        return () if op in WRITING else tuple(kind for kind in kinds if kind not in _DAMAGING)
    if place == LEDGER:
        # Bytes that its disk loses silently are for SQLite to find, not for a copier.
        return tuple(kind for kind in kinds if kind[0].isupper() or kind == "hang")
    return kinds


def made(place: str, op: str, nth: int, kind: str, *, for_good: bool) -> Case | None:
    """One case; None where the combination is outside of what can be asked.

    Args:
        op: the operation, or ``any``.
        nth: which one.
        kind: an effect or an error's name.
        for_good: all from there on.
    """
    if for_good and kind in _SILENT | {"hang", "errno_after"}:
        return None
    effect, error = ("errno", kind) if kind[0].isupper() else (kind, "EIO")
    path = _NOT_SHARED_MEMORY if place == LEDGER else ".*"
    count = 0 if for_good else 1
    fault = Fault(op, effect, nth=nth, count=count, path=path, errno=error, length=100)
    lasting = "for good" if for_good else "once"
    return Case(f"{place} {op} {nth} {kind} {lasting}", ((place, fault),), place, kind)


def exhaustive(place: str, calls: Sequence[Call]) -> Iterator[Case]:
    """Operation 1, 2, 3 ... of a place fails, until a run meets no fault.

    The first of each call site (see :func:`short`) fails once and for good in every kind that
    applies; at those that follow it the kinds take turns.

    Args:
        calls: what a run without a fault did there; one more number is tried, and must meet none.
    """
    known: set[tuple[str, str]] = set()
    seen: dict[str, int] = {}
    turns: dict[str, int] = {}
    for call in calls:
        seen[call.op] = nth = seen.get(call.op, 0) + 1
        found = tuple(_cases_at(place, call.op, nth))
        site = (call.op, _path_kind(call.path))
        if site in known and found:
            turns[call.op] = turn = turns.get(call.op, -1) + 1
            found = (found[turn % len(found)],)
        known.add(site)
        yield from found
    yield from _cases_at(place, "any", len(calls) + 1000)


def short(place: str, calls: Sequence[Call]) -> Iterator[Case]:
    """Some call sites of each operation, and each kind of fault at least once for each operation.

    A call site is an operation on one kind of path; at most six, spread over the run, are taken.
    The kinds take turns over them.
    """
    for op, numbers in call_sites(calls).items():
        step = -(-len(numbers) // _MOST_SITES)
        yield from in_turns(place, op, numbers[::step], kinds_of(op, place))


def call_sites(calls: Sequence[Call]) -> dict[str, list[int]]:
    """For each operation the number of the first at each of its call sites."""
    sites: dict[str, list[int]] = {}
    known: set[tuple[str, str]] = set()
    seen: dict[str, int] = {}
    for call in calls:
        seen[call.op] = seen.get(call.op, 0) + 1
        site = (call.op, _path_kind(call.path))
        if site not in known:
            known.add(site)
            sites.setdefault(call.op, []).append(seen[call.op])
    return sites


def in_turns(place: str, op: str, numbers: Sequence[int], kinds: Sequence[str]) -> Iterator[Case]:
    """Each kind at least once, and each number at least once."""
    ways = [
        (kind, for_good)
        for kind in kinds
        for for_good in (False, True)
        if made(place, op, 1, kind, for_good=for_good) is not None
    ]
    for turn in range(max(len(ways), len(numbers))) if ways else ():
        kind, for_good = ways[turn % len(ways)]
        case = made(place, op, numbers[turn % len(numbers)], kind, for_good=for_good)
        if case is not None:
            yield case


def random_case(seed: int, counts: dict[str, dict[str, int]]) -> Case:
    """A random card and one to three random faults; everything comes from the seed.

    Args:
        counts: for each place how often each operation occurs in a run without a fault.
    """
    source = random.Random(seed)
    tree = random_card(source)
    chosen: list[tuple[str, Fault]] = []
    names = []
    for _ in range(source.choice((1, 1, 1, 2, 3))):
        case = None
        while case is None:
            place = source.choice((CARD, *DRIVES, *DRIVES, LEDGER))
            op = source.choice(sorted(counts[place]))
            kinds = kinds_of(op, place)
            if not kinds:
                continue
            nth = source.randint(1, max(1, counts[place][op] * 3 // 2))
            case = made(place, op, nth, source.choice(kinds), for_good=source.random() < 0.3)
        chosen += case.faults
        names.append(case.name)
    kinds_met = sorted({_kind(fault) for _, fault in chosen})
    places = [place for place in PLACES if any(at == place for at, _ in chosen)]
    name = f"seed {seed}: " + "; ".join(names)
    return Case(name, tuple(chosen), "+".join(places), "+".join(kinds_met), tree=tree)


def random_card(source: random.Random) -> tuple[Item, ...]:
    """A small random card with at least one clip."""
    found = cards.random_tree(source.randrange(2**32), entries=10, largest_bytes=30_000)
    kept = tuple(item for item in found if item.kind in (cards.FILE, cards.FOLDER, cards.LINK))
    first = Item(b"CLIPS/A001C001.mov", content=source.randbytes(source.randint(1, 40_000)))
    return cards.without_conflicts((first, *kept))


def _cases_at(place: str, op: str, nth: int) -> Iterator[Case]:
    for kind in kinds_of(op, place):
        for for_good in (False, True):
            case = made(place, op, nth, kind, for_good=for_good)
            if case is not None:
                yield case


def _kind(fault: Fault) -> str:
    return fault.errno if fault.effect == "errno" else fault.effect


def _path_kind(path: str) -> str:
    """What kind of thing a path is: numbers and names apart, place and ending together."""
    parts = path.split("/")
    ending = parts[-1].rpartition(".")[2] if "." in parts[-1] else ""
    marks = [part for part in parts if part in ("records", "ascmhl", "CLIPS")]
    marks += ["growing"] if any(part.endswith(".incomplete") for part in parts) else []
    return "/".join([str(min(len(parts), 3)), *marks, ending])
