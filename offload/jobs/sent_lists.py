"""What a card or drive carries of records by its sender: checked in the one reading of the copy.

Some recorders write checksum lists, and a drive from another hand carries its history. The copying
pass works out what those ask for beside its own checksums; a file that is then not what its
sender's list says was damaged before it came here, and is a finding of its own.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import Listing, listing_of
from offload.jobs.verify_plan import Plan, make_plan
from offload.jobs.verify_records import Records, load_records
from offload.jobs.verify_sayings import sayings_of
from offload.jobs.verify_sentences import of_sayings
from offload.record.claims import FileOutcome
from offload.record.mhl.naming import MANIFEST_SUFFIX
from offload.record.sums import is_list_name
from offload.record.tagfiles import DECLARATION_NAME
from offload.storage.root import Root
from offload.values.entries import Entries
from offload.values.findings import Finding
from offload.values.paths import name

_TOLD = 1000
"""Of each kind of finding; a card may hold a million files."""


class Known(Protocol):
    """Digests by algorithm and entry number; see :class:`offload.transfer.results.Digests`."""

    @property
    def names(self) -> tuple[str, ...]:
        """The algorithms."""
        ...

    def get(self, name: str, number: int, /) -> bytes | None:
        """A raw digest; nothing where the file was not read whole."""
        ...


@dataclass(frozen=True, slots=True)
class Sent:
    """What the sender's records say, loaded; nothing of the footage has been read.

    Attributes:
        algorithms: what the one reading has to work out; none where there is no record.
        missing: recorded and not there (``sent-missing``), the first thousand.
        faults: what is broken in a record (``sent-record-broken``), likewise.
    """

    algorithms: tuple[str, ...] = ()
    missing: tuple[Finding, ...] = ()
    faults: tuple[Finding, ...] = ()
    _loaded: tuple[Listing, Records, Plan] | None = None

    @property
    def is_any(self) -> bool:
        """Whether any record speaks of any file that is there."""
        return self._loaded is not None and bool(self._loaded[2].recorded)


@dataclass(frozen=True, slots=True)
class SentCheck:
    """How the files agree with what their sender wrote down.

    Attributes:
        good: number of files that are as recorded.
        differs: ``sent-differs``, one for each file that is not; never bounded, since each is a
            reason to keep the card.
        unread: recorded files without a digest that could be compared.
    """

    good: int = 0
    differs: tuple[Finding, ...] = ()
    unread: int = 0


def sent_lists(root: Root, entries: Entries, now: datetime) -> Sent:
    """Load what a card or drive carries of records.

    Args:
        root: held; only what looks like a record is opened.
        entries: everything on it, as listed.
        now: for telling dates in the future, with zone.

    Raises:
        OSError: it is gone, or its top cannot be listed any more.
    """
    if not any(_is_record_name(entries.path(number)) for number in range(len(entries))):
        return Sent()
    listing = listing_of(root, entries)
    folder = SeenFolder(root, closed=listing.closed, forgets_pages=False)
    records = load_records(folder, listing, now)
    if not records.found:
        return Sent()
    plan = make_plan(listing, records, _never)
    algorithms: set[str] = set()
    for number in plan.recorded:
        for path in plan.names_of(number, listing):
            algorithms |= records.claims.algorithms_for(path)
    broken = (*records.claims.custody.faults, *records.claims.faults, *records.faults)
    faults = [Finding("sent-record-broken", each.text, each.path) for each in broken[:_TOLD]]
    return Sent(
        tuple(sorted(algorithms)),
        tuple(_missing(plan, root)),
        tuple(dict.fromkeys(faults)),
        (listing, records, plan),
    )


def sent_differs(sent: Sent, digests: Known) -> SentCheck:
    """Compare what was read with what the sender wrote down.

    Args:
        sent: loaded before the reading.
        digests: of the reading, by number of the entry.
    """
    if sent._loaded is None:
        return SentCheck(0, (), 0)
    listing, records, plan = sent._loaded
    good = unread = 0
    differs: list[Finding] = []
    for number in plan.recorded:
        found = _digests(digests, number)
        outcomes = set()
        for path in plan.names_of(number, listing):
            judged = records.claims.judge(path, found)
            outcomes.add(judged.outcome)
            if judged.outcome is FileOutcome.DIFFERS:
                said = next(of_sayings(sayings_of(judged.differing, (), found)))
                text = f"is not what its sender wrote down: {said}"
                differs.append(Finding("sent-differs", text, listing.entries.path(number)))
                break
        if outcomes == {FileOutcome.AS_RECORDED}:
            good += 1
        elif FileOutcome.DIFFERS not in outcomes:
            unread += 1
    return SentCheck(good, tuple(differs), unread)


def _never(_path: bytes) -> bool:
    return False


def _is_record_name(path: bytes) -> bool:
    own = name(path)
    if own == DECLARATION_NAME or own.lower().endswith(MANIFEST_SUFFIX):
        return True
    return is_list_name(own)


def _missing(plan: Plan, root: Root) -> Iterator[Finding]:
    """What is recorded and not there; what computers leave behind is listed by nobody here."""
    told = 0
    for path, instead in sorted(plan.missing.items()):
        if told >= _TOLD:
            return
        if instead or not _is_file(root, path):
            told += 1
            what = instead or "is not there"
            yield Finding("sent-missing", f"is in its sender's list, and {what}", path)


def _is_file(root: Root, path: bytes) -> bool:
    try:
        return root.exists(path)
    except OSError:
        return False


def _digests(digests: Known, number: int) -> dict[str, bytes]:
    found = {each: digests.get(each, number) for each in digests.names}
    return {each: digest for each, digest in found.items() if digest is not None}
