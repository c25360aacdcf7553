"""Writing the next generation of a history, and of all histories nested in it.

Source: ASC MHL 1.0 specification, sections 5.3.2, 5.6 and 6.3. An operation on a whole scope goes
down: nested histories first, then each that encloses them up to the one where it started, which
refer to the newest manifest of those nearest below. It never goes up. All manifests of one
operation bear the moment when it started.
"""

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from offload.errors import RecordError
from offload.record.folder import DurableFolder
from offload.record.mhl.chain import Chain, append_manifest
from offload.record.mhl.custody import Custody, from_within, nested_scopes
from offload.record.mhl.history import History
from offload.record.mhl.ignore import Ignore
from offload.record.mhl.model import (
    Creator,
    DirectoryRecord,
    Head,
    Process,
    Record,
    Reference,
    RootHash,
)
from offload.record.mhl.naming import HISTORY_FOLDER, manifest_name
from offload.record.mhl.rename import folders_before
from offload.record.mhl.tree import EmptyFolder, Item, NestedRoot, no_time, tree_records, tree_root
from offload.record.mhl.write import write_manifest
from offload.values.paths import join, name
from offload.values.portable import OUR_ENDINGS


@dataclass(frozen=True, slots=True)
class Operation:
    """What is the same in every manifest that one operation writes.

    Attributes:
        creator: when, by whom, with what.
        process: see there.
        started_at: when the operation began, with zone; in every manifest's name.
        top_name: name of the outermost scope in the names of its manifests: the roll's or the
            volume's, whatever the folder is called at this moment.
        folder_formats: formats for directory and root hashes; none when only some of the files
            were hashed.
        patterns: ignore patterns that are new with this operation.
    """

    creator: Creator
    process: Process
    started_at: datetime
    top_name: bytes
    folder_formats: tuple[str, ...] = ()
    patterns: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Added:
    """One generation that was added.

    Attributes:
        scope: whose history it went into.
        name: of the manifest in the ``ascmhl`` folder.
        chain: as it stands now.
        root: content and structure of the scope; None where not everything was hashed.
        ignored: what was handed in and matches an ignore pattern: the standard has no records of
            such things, so they are in no manifest. To be told to the user.
    """

    scope: bytes
    name: bytes
    chain: Chain
    root: RootHash | None
    ignored: tuple[bytes, ...] = ()

    @property
    def c4(self) -> bytes:
        """Raw digest of the manifest."""
        return self.chain.entries[-1].c4

    @property
    def path(self) -> bytes:
        """The manifest's path, from outside."""
        return join(join(self.scope, HISTORY_FOLDER), self.name)


Items = Callable[[bytes], Iterable[Item]]
"""Given a scope, what was done there: paths relative to it, sorted by bytes, each time anew from
the start; nested roots are not in it. They are put in here."""


def add_generations(
    folder: DurableFolder,
    custody: Custody,
    operation: Operation,
    items: Items,
    *,
    begin: Iterable[bytes] = (),
    folder_mtime_ns: Callable[[bytes], int | None] = no_time,
) -> list[Added]:
    """Add a generation to every history of a custody that has anything to say, inside out.

    Args:
        folder: what is written to; paths are those of the custody.
        custody: the histories as they stand.
        operation: see there.
        items: see :data:`Items`.
        begin: scopes that have no history yet and get their first generation.
        folder_mtime_ns: modification time of a folder by its path from outside.

    Returns:
        What was added, in the order of writing.

    Raises:
        RecordError: a chain cannot be read, so nothing can be added to it; or a pattern would
            take something back in.
        OSError: writing failed; what was added before stands, and is whole.
    """
    scopes = {*custody.histories, *begin}
    added: dict[bytes, Added] = {}
    for scope in from_within(scopes):
        nested = nested_scopes(scopes, scope)
        kept = _Kept(items, scope, Ignore(_patterns(scope, custody, operation)))
        writer = _Generation(
            scope,
            custody,
            operation,
            kept,
            tuple(_nested_roots(scope, nested, added, custody.histories)),
            tuple(_references(scope, nested, added, custody.histories)),
            folder_mtime_ns,
        )
        if writer.has_anything():
            added[scope] = writer.write(folder)
    return list(added.values())


@dataclass(frozen=True, slots=True)
class _Kept:
    """The items of one scope that no pattern ignores."""

    items: Items
    scope: bytes
    ignore: Ignore
    ignored: set[bytes] = field(default_factory=set)

    def __iter__(self) -> Iterator[Item]:
        for item in self.items(self.scope):
            if self.ignore.ignores(item.path, is_folder=isinstance(item, EmptyFolder)):
                self.ignored.add(item.path)
            else:
                yield item


@dataclass(frozen=True, slots=True)
class _Generation:
    """One manifest that is to be written."""

    scope: bytes
    custody: Custody
    operation: Operation
    kept: _Kept
    nested: tuple[NestedRoot, ...]
    references: tuple[Reference, ...]
    folder_mtime_ns: Callable[[bytes], int | None]

    def has_anything(self) -> bool:
        return bool(self.references) or any(True for _ in self._records())

    def write(self, folder: DurableFolder) -> Added:
        chain = self._chain()
        root = tree_root(self._items(), self.operation.folder_formats)
        patterns = self.kept.ignore.patterns
        head = Head(self.operation.creator, self.operation.process, root, patterns)
        is_top = self.scope == self.custody.top
        title = self.operation.top_name if is_top else _title(self.scope)
        file = manifest_name(chain.next_number, title, self.operation.started_at)
        longer = append_manifest(
            folder,
            join(self.scope, HISTORY_FOLDER),
            chain,
            file,
            lambda out: write_manifest(out, head, self._named_before(), self.references),
        )
        return Added(self.scope, file, longer, root, tuple(sorted(self.kept.ignored)))

    def _items(self) -> Iterable[Item]:
        return heapq.merge(self.kept, self.nested, key=lambda item: item.path)

    def _records(self) -> Iterator[Record]:
        return tree_records(self._items(), self.operation.folder_formats, self._mtime_ns)

    def _named_before(self) -> Iterator[Record]:
        """The records, those of renamed folders with their previous paths."""
        before = folders_before(lambda: self.kept, self._known_folders)
        for record in self._records():
            old = before.get(record.path) if isinstance(record, DirectoryRecord) else None
            yield replace(record, previous_path=old) if old else record

    def _known_folders(self) -> frozenset[bytes]:
        history = self.custody.histories.get(self.scope)
        return frozenset(each.path for each in history.folders()) if history else frozenset()

    def _mtime_ns(self, path: bytes) -> int | None:
        return self.folder_mtime_ns(join(self.scope, path))

    def _chain(self) -> Chain:
        history = self.custody.histories.get(self.scope)
        if history is None:
            return Chain()
        if not history.chain.entries:
            raise RecordError(
                "the chain of this history cannot be read, so nothing can be added to it",
                path=self.scope,
                remedy="put the chain back from another copy",
            )
        return history.chain


def _patterns(scope: bytes, custody: Custody, operation: Operation) -> tuple[str, ...]:
    new = operation.patterns
    if scope != custody.top:
        inner = scope[len(custody.top) :].lstrip(b"/")
        new = Ignore(operation.patterns).for_nested(inner)
    history = custody.histories.get(scope)
    if history is None:
        return Ignore(new).patterns
    return Ignore(history.patterns).with_more(new).patterns


def _nested_roots(
    scope: bytes,
    nested: list[bytes],
    added: Mapping[bytes, Added],
    histories: Mapping[bytes, History],
) -> Iterator[NestedRoot]:
    for one in nested:
        yield NestedRoot(_below(one, scope), _root(one, added, histories))


def _root(
    scope: bytes, added: Mapping[bytes, Added], histories: Mapping[bytes, History]
) -> RootHash | None:
    if scope in added:
        return added[scope].root
    return histories[scope].newest_root if scope in histories else None


def _references(
    scope: bytes,
    nested: list[bytes],
    added: Mapping[bytes, Added],
    histories: Mapping[bytes, History],
) -> Iterator[Reference]:
    for one in nested:
        chain = added[one].chain if one in added else None
        if chain is None and one in histories:
            chain = histories[one].chain
        if chain is not None and chain.entries:
            newest = chain.entries[-1]
            folder = join(_below(one, scope), HISTORY_FOLDER)
            yield Reference(join(folder, newest.path), newest.c4)


def _below(path: bytes, scope: bytes) -> bytes:
    return path[len(scope) + 1 :] if scope else path


def with_comment(operation: Operation, comment: str) -> Operation:
    """The same operation, saying something else of itself."""
    return replace(operation, creator=replace(operation.creator, comment=comment))


def _title(scope: bytes) -> bytes:
    """A nested scope's name in the names of its manifests: the one that it will keep."""
    title = name(scope)
    for ending in OUR_ENDINGS:
        title = title.removesuffix(ending.encode("ascii")) or title
    return title
