"""What is there against what is recorded, by names alone; and from that what has to be read."""

import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from offload.jobs.recording import SIGNATURE
from offload.jobs.verify_place import Listing, is_marker, is_unfinished
from offload.jobs.verify_records import OwnFiles, Records
from offload.jobs.verify_result import FileState
from offload.record.claims import Claim, Claims
from offload.record.find import RecordKind
from offload.record.mhl.custody import nearest_scope
from offload.record.mhl.naming import COLLECTION_NAME, MANIFEST_SUFFIX
from offload.values.entries import Kind
from offload.values.paths import join, name, parent

_INSTEAD = {
    Kind.FOLDER: "a folder stands in its place",
    Kind.LINK: "a link stands in its place, and links are not followed",
    Kind.UNREADABLE: "something stands in its place that cannot be looked into",
    Kind.MOUNT: "another file system is mounted in its place",
}


@dataclass(slots=True)
class Plan:
    """What is to be read, and what is known before.

    Attributes:
        states: by entry; what is not to be read has its state already.
        recorded: numbers of the entries that a record speaks of, in order.
        strangers: numbers of those that nobody has recorded and that are read all the same.
        recorded_as: number -> recorded path, where the name is shown otherwise.
        also_recorded_as: further recorded names of such a file, each by another record.
        carried: numbers of those recorded that were read before and are as they were then.
        missing: recorded and not there -> what stands in its place, else empty.
        wanted: every (algorithm, digest) recorded of a missing file.
    """

    states: bytearray
    recorded: list[int] = field(default_factory=list)
    strangers: list[int] = field(default_factory=list)
    recorded_as: dict[int, bytes] = field(default_factory=dict)
    also_recorded_as: dict[int, tuple[bytes, ...]] = field(default_factory=dict)
    carried: set[int] = field(default_factory=set)
    missing: dict[bytes, str] = field(default_factory=dict)
    wanted: frozenset[tuple[str, bytes]] = frozenset()

    @property
    def to_read(self) -> list[int]:
        """Everything that is read, in the order of the listing."""
        due = (number for number in self.recorded if number not in self.carried)
        return sorted([*due, *self.strangers])

    def path_for(self, number: int, listing: Listing) -> bytes:
        """The path under which an entry is recorded."""
        return self.recorded_as.get(number) or listing.entries.path(number)

    def names_of(self, number: int, listing: Listing) -> tuple[bytes, ...]:
        """Every path under which an entry is recorded."""
        return (self.path_for(number, listing), *self.also_recorded_as.get(number, ()))


def make_plan(listing: Listing, records: Records, is_read_anyway: Callable[[bytes], bool]) -> Plan:
    """Compare names and choose what to read.

    A file that nobody has recorded is read only where its content may be that of a missing one,
    or where the caller has a use for it.

    Args:
        listing: what is there.
        records: what is recorded.
        is_read_anyway: asked for each path that nobody has recorded.
    """
    plan = Plan(bytearray(len(listing.entries)))
    _take_expected(plan, listing, records.claims)
    unrecorded = _sort_others(plan, listing, records)
    _pair_shown_otherwise(plan, listing, records.claims, unrecorded)
    _follow_renames(plan, listing, records.claims)
    claims = {path: records.claims.of(path) for path in plan.missing}
    plan.wanted = frozenset(
        (algorithm, claim.digest)
        for found in claims.values()
        for claim in found
        for algorithm in claim.algorithms
    )
    sizes = _sizes(plan.missing, records.claims, claims)
    for number in unrecorded:
        if number in plan.recorded_as:
            continue
        size = listing.entries.size_bytes(number)
        # An empty file has the content of every other: nothing shows which it was.
        may_be_missing = bool(plan.wanted) and size > 0 and (sizes is None or size in sizes)
        if may_be_missing or is_read_anyway(listing.entries.path(number)):
            plan.strangers.append(number)
    plan.recorded = sorted([*plan.recorded, *plan.recorded_as])
    return plan


def take_lists_in(plan: Plan, listing: Listing, records: Records, begin: bytes) -> None:
    """Read what is part of a record, and yet footage's company: lists, and the files of bags.

    To a history that begins they are files like any other. Manifests and collections are not
    (ASC MHL 1.0, section 5.6.2), nor what lies in ``records/ROLL``, which goes on with its roll.

    Args:
        plan: taken on.
        listing: what is there.
        records: what is recorded.
        begin: the folder whose history begins.
    """
    scopes = {*records.claims.custody.histories, begin}
    for number, state in enumerate(plan.states):
        path = listing.entries.path(number)
        if state != FileState.RECORD or nearest_scope(scopes, parent(path)) != begin:
            continue
        signed = name(path).removesuffix(SIGNATURE)
        is_manifest = signed == COLLECTION_NAME or signed.lower().endswith(MANIFEST_SUFFIX)
        if is_manifest or is_marker(path) or parent(path) in listing.records_folders:
            continue
        plan.states[number] = FileState.NOT_RECORDED
        plan.strangers.append(number)


def _take_expected(plan: Plan, listing: Listing, claims: Claims) -> None:
    entries = listing.entries
    for path in claims.expected():
        number = listing.number(path)
        if number is None:
            plan.missing[path] = ""
        elif entries.kind(number) is Kind.FILE:
            plan.recorded.append(number)
            plan.states[number] = FileState.NOT_READ
        else:
            plan.missing[path] = _INSTEAD.get(entries.kind(number), "no file stands in its place")


def _sort_others(plan: Plan, listing: Listing, records: Records) -> list[int]:
    """Settle what no record speaks of; numbers of the files among it that nobody accounts for."""
    own = OwnFiles(records, listing)
    found = []
    for number in range(len(plan.states)):
        if plan.states[number] or listing.entries.kind(number) is not Kind.FILE:
            continue
        path = listing.entries.path(number)
        if own.has(path):
            plan.states[number] = FileState.RECORD
        elif (
            path in listing.left_out
            or is_unfinished(path)
            or records.claims.custody.ignores(path)
            or listing.half_done_above(path, "kept-aside")
        ):
            plan.states[number] = FileState.LEFT_OUT
        else:
            found.append(number)
    return found


def _pair_shown_otherwise(
    plan: Plan, listing: Listing, claims: Claims, unrecorded: list[int]
) -> None:
    """Missing names that are there in other letters: capitals, or another form of an accent.

    Only where one file answers. Where a file system tells such names apart and both are there, or
    where one record speaks of both, each is what it is, and nothing is paired.
    """
    gone: dict[str, list[bytes]] = {}
    for path, instead in plan.missing.items():
        if not instead:
            gone.setdefault(folded(path), []).append(path)
    there: dict[str, list[int]] = {}
    for number in (*unrecorded, *plan.recorded) if gone else ():
        form = folded(listing.entries.path(number))
        if form in gone:
            there.setdefault(form, []).append(number)
    for form, numbers in there.items():
        if len(numbers) == 1:
            _pair(plan, listing, claims, numbers[0], gone[form])


def _pair(plan: Plan, listing: Listing, claims: Claims, number: int, paths: list[bytes]) -> None:
    own = [] if plan.states[number] != FileState.NOT_READ else [listing.entries.path(number)]
    if not _are_of_several_records([*own, *paths], claims):
        return
    # A history's name comes first: a further generation goes by it.
    names = sorted(paths, key=lambda path: claims.custody.lookup(path) is None)
    if not own:
        plan.recorded_as[number] = names.pop(0)
        plan.states[number] = FileState.NOT_READ
    if names:
        plan.also_recorded_as[number] = tuple(names)
    for path in paths:
        del plan.missing[path]


def _follow_renames(plan: Plan, listing: Listing, claims: Claims) -> None:
    """Lists that still speak of a file by the name that it had before a recorded rename."""
    custody = claims.custody
    if all(len(history.generations) < 2 for history in custody.histories.values()):
        return
    for path, _ in custody.current():
        scope = custody.scope_of(parent(path)) or b""
        if len(custody.histories[scope].generations) < 2:
            continue
        number, known = listing.number(path), custody.lookup(path)
        if number is None or known is None:
            continue
        earlier = {each.record.path for each in known.sightings} - {known.path}
        further = sorted(join(scope, each) for each in earlier)
        listed = tuple(each for each in further if _is_listed(each, claims))
        if listed:
            plan.also_recorded_as[number] = plan.also_recorded_as.get(number, ()) + listed
        for each in listed:
            plan.missing.pop(each, None)


def _is_listed(path: bytes, claims: Claims) -> bool:
    return any(claim.source.kind is not RecordKind.HISTORY for claim in claims.of(path))


def _are_of_several_records(paths: list[bytes], claims: Claims) -> bool:
    """Whether no record speaks of two of these paths."""
    if len(paths) == 1:
        return True
    sources = [{claim.source.path for claim in claims.of(path)} for path in paths]
    return sum(map(len, sources)) == len(set().union(*sources))


def folded(path: bytes) -> str:
    """One form for all letters that file systems and mounts show in place of one another."""
    text = path.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def _sizes(
    missing: Iterable[bytes], claims: Claims, found: dict[bytes, tuple[Claim, ...]]
) -> frozenset[int] | None:
    """The sizes that missing files are recorded with; nothing where one has none."""
    sizes = set()
    for path in missing:
        if not found[path]:
            continue
        known = claims.custody.lookup(path)
        size = known.newest.size_bytes if known is not None else None
        if size is None:
            return None
        sizes.add(size)
    return frozenset(sizes)


def is_in_history(claims: Claims, path: bytes) -> bool:
    """Whether a history would take in this file."""
    return claims.custody.scope_of(parent(path)) is not None
