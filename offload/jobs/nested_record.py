"""The next generation of a copy in which several histories of the card's go on.

The inner histories get theirs first, then each that encloses them, up to the roll's own, which
refers to them; all bear one time (ASC MHL 1.0, sections 5.3.2 and 6.3). Each file is recorded in
the history nearest above it. Only the roll's own chain is signed: by its references it vouches for
all the others.
"""

import heapq
from collections.abc import Iterable, Mapping, Sequence

from offload import __version__
from offload.errors import RecordError
from offload.jobs.carried_nested import carried_nested, put_nested, remove_nested
from offload.jobs.copied import Copied, Occasion
from offload.jobs.earlier_record import other_file_error
from offload.jobs.leftovers import remove_unnamed
from offload.jobs.placing import nested_scopes
from offload.jobs.verify_folder import SeenFolder
from offload.record.mhl.chain import Chain
from offload.record.mhl.custody import Custody, from_within, load_custody, nearest_scope
from offload.record.mhl.generation import Added, Operation, add_generations
from offload.record.mhl.history import has_history
from offload.record.mhl.known import Outcome, compare, next_record
from offload.record.mhl.model import Creator, Process, Reference, RootHash
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.record.mhl.read_back import read_back
from offload.record.mhl.roots import is_same_root
from offload.record.mhl.tree import EmptyFolder, Item, NestedRoot, NotHashed, tree_root
from offload.values.entries import Kind
from offload.values.facts import CopyState
from offload.values.paths import join, name, parent

_PROVEN = frozenset({CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER})
_KNOWN = frozenset({Outcome.AGREES, Outcome.NEW})


class NestedRecord:
    """Made by :meth:`of`."""

    def __init__(self, copied: Copied, folder: SeenFolder, custody: Custody) -> None:
        self._copied = copied
        self._top = copied.place.lies_in
        self._folder = folder
        self._custody = custody
        self._numbers = self._by_scope()
        self._added: list[Added] = []

    @classmethod
    def of(cls, copied: Copied, order: Sequence[int]) -> "NestedRecord | None":
        """The histories of a copy, carried into it now or by an earlier run.

        Args:
            copied: see there.
            order: the entries that were copied.

        Returns:
            None where the copy has but one history, or begins one.

        Raises:
            OSError: the drive failed.
            RecordError: a history that went on here is broken.
        """
        place = copied.place
        scopes = nested_scopes(place)
        if not scopes:
            return None
        folder = SeenFolder(place.drive.root)
        below = [join(place.lies_in, scope) for scope in scopes]
        root, own = place.drive.root, _history(place.lies_in)
        if root.exists(join(own, CHAIN_NAME)):
            if not any(has_history(folder, scope) for scope in below):
                return None
        else:
            # What a killed run has left there would stand for a history without a chain.
            remove_unnamed(root, own, Chain())
            is_odd = place.names.on_drive(HISTORY_FOLDER) == HISTORY_FOLDER and has_history(
                folder, place.lies_in
            )
            if is_odd or not _carry(copied, order, scopes):
                return None
        custody = load_custody(folder, place.lies_in, below)
        if custody.faults:
            fault = custody.faults[0]
            raise RecordError(
                f"a history in this copy is broken: {fault.text}",
                path=fault.path,
                meaning="Copy and card agree with each other; nothing was added to the record.",
                remedy="Put the record back from another copy, or give this card another roll "
                "name:  offload copy --roll NAME",
            )
        return cls(copied, folder, custody)

    @property
    def chain(self) -> Chain:
        """Of the roll's own history; empty where it begins."""
        if self._added:
            return self._added[-1].chain
        own = self._custody.histories.get(self._top)
        return own.chain if own is not None else Chain()

    def standing_root(self) -> RootHash | None:
        """The roll's root hashes, where every history says the very same already; else None."""
        roots: dict[bytes, RootHash | None] = {}
        for scope in self._numbers:
            now = tree_root(self._with_nested(scope, roots), self._copied.formats)
            history = self._custody.histories.get(scope)
            if now is None or history is None or history.newest_root is None:
                return None
            if not is_same_root(now, history.newest_root):
                return None
            if not set(self._newest_below(scope)) <= set(history.generations[-1].references):
                return None
            roots[scope] = now
        return roots[self._top]

    def write(self, occasion: Occasion) -> Added:
        """Add a generation to every history; the roll's own is the one that is returned.

        Raises:
            OSError: the drive failed; what was added before stands, and is whole.
            RecordError: a history says that a file is another one.
        """
        for scope, history in self._custody.histories.items():
            remove_unnamed(self._copied.place.drive.root, _history(scope), history.chain)
        creator = Creator(
            occasion.written_at, occasion.host, "offload", __version__, comment=occasion.comment
        )
        roll, formats = name(self._copied.place.final), self._copied.formats
        operation = Operation(creator, Process.TRANSFER, occasion.started_at, roll, formats)
        begin = () if self._top in self._custody.histories else (self._top,)
        self._added = add_generations(
            self._folder, self._custody, operation, self._items, begin=begin
        )
        return self._added[-1]

    def check(self) -> None:
        """See that what was written is on the drive.

        Raises:
            RecordError: it does not read back the same.
        """
        read_back(self._folder, self._custody, self._added)

    def _by_scope(self) -> dict[bytes, list[int]]:
        """The copied entries of each history, in the order of their paths; inner scopes first."""
        scopes = {*self._custody.histories, self._top}
        found: dict[bytes, list[int]] = {scope: [] for scope in from_within(scopes)}
        for number in self._copied.in_order():
            above = parent(join(self._top, self._copied.path(number)))
            scope = nearest_scope(scopes, above)
            if scope is not None:
                found[scope].append(number)
        for numbers in found.values():
            numbers.sort(key=self._copied.path)
        return found

    def _items(self, scope: bytes) -> Iterable[Item]:
        return (self._item(number, scope) for number in self._numbers[scope])

    def _item(self, number: int, scope: bytes) -> Item:
        copied = self._copied
        outside = join(self._top, copied.path(number))
        path = outside[len(scope) + 1 :]
        if copied.states[number] not in _PROVEN:
            return NotHashed(path)
        entry = copied.entries[number]
        if entry.kind is Kind.FOLDER:
            return EmptyFolder(path)
        digests = _digests(copied, number)
        if not digests:
            return NotHashed(path)
        compared = compare(self._custody.lookup(outside), digests)
        if compared.outcome not in _KNOWN:
            raise other_file_error(outside)
        made = next_record(
            path, digests, compared, size_bytes=entry.size_bytes, mtime_ns=entry.mtime_ns
        )
        return made or NotHashed(path)

    def _with_nested(self, scope: bytes, roots: Mapping[bytes, RootHash | None]) -> Iterable[Item]:
        nested = [
            NestedRoot(each[len(scope) + 1 :], roots[each])
            for each in self._custody.nested_in(scope)
        ]
        return heapq.merge(self._items(scope), nested, key=lambda item: item.path)

    def _newest_below(self, scope: bytes) -> Iterable[Reference]:
        for nested in self._custody.nested_in(scope):
            newest = self._custody.histories[nested].chain.entries[-1]
            path = join(_history(nested[len(scope) + 1 :]), newest.path)
            yield Reference(path, newest.c4)


def _carry(copied: Copied, order: Sequence[int], scopes: Sequence[bytes]) -> bool:
    """Put the card's histories into the copy, where they can be gone on with."""
    place = copied.place
    numbers = {copied.path(at): at for at in order}

    def proven(path: bytes) -> Mapping[str, bytes]:
        number = numbers[path]
        is_file = copied.entries.kind(number) is Kind.FILE
        return _digests(copied, number) if is_file and copied.states[number] in _PROVEN else {}

    custody = carried_nested(place, scopes, list(numbers), proven)
    if custody is None:
        remove_nested(place, scopes)
        return False
    put_nested(place, custody)
    return True


def _digests(copied: Copied, number: int) -> dict[str, bytes]:
    found = {each: copied.digests.get(each, number) for each in copied.formats}
    return {each: digest for each, digest in found.items() if digest is not None}


def _history(scope: bytes) -> bytes:
    return join(scope, HISTORY_FOLDER)
