"""A history: every manifest that its chain lists, checked, read in order and merged.

Source: ASC MHL 1.0 specification, sections 5.3 and 5.4. A manifest that is missing, changed or
unreadable takes no part; the others do, and the fault is told. Hashes of a file may be spread over
generations and names: a look-up follows renames from the newest to the oldest.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from offload.checksum import Hasher
from offload.errors import RecordError, reason
from offload.record.folder import Folder
from offload.record.mhl.chain import Chain, ChainEntry, read_chain
from offload.record.mhl.ignore import DEFAULTS, Ignore
from offload.record.mhl.known import Generation, Known, Sighting
from offload.record.mhl.model import DirectoryRecord, HashRecord, Record, RootHash
from offload.record.mhl.naming import (
    CHAIN_NAME,
    HISTORY_FOLDER,
    MANIFEST_SUFFIX,
    read_manifest_name,
)
from offload.record.mhl.read import ManifestReader
from offload.record.mhl.table import RecordTable
from offload.values.findings import Finding
from offload.values.paths import join, parent

_CHUNK_BYTES = 1 << 20


class History:
    """One history, loaded.

    Attributes:
        scope: path of its folder below the folder it was loaded from.
        chain: as it stands; empty when it could not be read.
        generations: those that take part, in order.
        faults: what is broken, each with the path of the file; codes ``chain-unreadable``,
            ``manifest-missing``, ``manifest-changed``, ``manifest-unreadable``,
            ``chain-renumbered``.
        notices: what is unusual and does not matter; also ``manifest-not-in-chain``,
            ``second-chain``, ``manifest-from-the-future``.
    """

    def __init__(self, scope: bytes, loaded: "_Loading") -> None:
        self.scope = scope
        self.chain = loaded.chain
        self.generations = tuple(loaded.generations.values())
        self.faults = tuple(loaded.faults)
        self.notices = tuple(loaded.notices)
        self._by_number = loaded.generations
        self._table = loaded.table
        self._moved = loaded.moved
        self._moved_folders = loaded.moved_folders
        self._renamed_folders = loaded.renamed_folders
        self._ignores = _ignores(self.generations)
        self._table.seal()

    @property
    def patterns(self) -> tuple[str, ...]:
        """All ignore patterns of all generations, in the order in which they came."""
        return tuple(
            dict.fromkeys(
                [*DEFAULTS, *(each for one in self.generations for each in one.head.ignore)]
            )
        )

    @property
    def newest_root(self) -> RootHash | None:
        """The root hash of the newest generation."""
        return self.generations[-1].head.root if self.generations else None

    def ignores(self, path: bytes, *, is_folder: bool = False) -> bool:
        """Whether the patterns of any generation keep this entry out; the set only grows."""
        return any(ignore.ignores(path, is_folder=is_folder) for ignore in self._ignores)

    def lookup(self, path: bytes) -> Known | None:
        """What is recorded of the file that has this path now; None where nothing is."""
        found: list[Sighting] = []
        read: dict[bytes, list[Sighting]] = {}
        name, limit = path, self.chain.next_number
        while True:
            if name not in read:
                read[name] = self._files(name)
            rows = [row for row in read[name] if row.generation.number < limit]
            renamed = self._renamed(name, rows, limit)
            if renamed is None:
                found += reversed(rows)
                break
            number, old = renamed
            found += [row for row in reversed(rows) if row.generation.number >= number]
            name, limit = old, number
        return Known(path, tuple(reversed(found))) if found else None

    def has_seen(self, path: bytes) -> bool:
        """Whether any generation speaks of a file under this path, be it as the path before."""
        return bool(self._files(path)) or self._is_moved(path, 0)

    def current(self) -> Iterator[HashRecord]:
        """The newest record of every file that ought to be there, under the path it has now.

        Left out are those that are ignored and those that were renamed away. In the order of the
        manifests, newest generation first.
        """
        for number, record in self._table.newest_of_each():
            if (
                isinstance(record, HashRecord)
                and not self._is_moved(record.path, number)
                and not self.ignores(record.path)
            ):
                yield record

    def folders(self) -> Iterator[DirectoryRecord]:
        """The newest record of every folder."""
        for number, record in self._table.newest_of_each():
            if isinstance(record, DirectoryRecord) and not self._is_moved(record.path, number):
                yield record

    def _files(self, path: bytes) -> list[Sighting]:
        return [
            Sighting(self._by_number[number], record)
            for number, record in self._table.of_path(path)
            if isinstance(record, HashRecord)
        ]

    def _renamed(self, path: bytes, rows: list[Sighting], limit: int) -> tuple[int, bytes] | None:
        """Generation and earlier path of the last rename to ``path`` before ``limit``."""
        found = [
            (row.generation.number, row.record.previous_path)
            for row in rows
            if row.record.previous_path is not None
        ]
        for above in _above(path):
            found += [
                (number, old + path[len(above) :])
                for number, old in self._renamed_folders.get(above, ())
                if number < limit
            ]
        # A file's own word comes before its folder's.
        return max(found, key=lambda one: one[0]) if found else None

    def _is_moved(self, path: bytes, number: int) -> bool:
        return self._moved.get(path, 0) > number or any(
            self._moved_folders.get(above, 0) > number for above in (path, *_above(path))
        )


def _above(path: bytes) -> Iterator[bytes]:
    """The folders above a path, innermost first, without the root."""
    while path := parent(path):
        yield path


def has_history(folder: Folder, scope: bytes) -> bool:
    """Whether a folder has a history: an ``ascmhl`` folder with a chain or a manifest in it.

    Raises:
        OSError: it cannot be found out.
    """
    history = join(scope, HISTORY_FOLDER)
    return folder.is_folder(history) and any(
        name == CHAIN_NAME or name.endswith(MANIFEST_SUFFIX) for name in folder.names(history)
    )


def load_history(folder: Folder, scope: bytes = b"", *, now: datetime | None = None) -> History:
    """Load the history of one folder, not the ones nested in it.

    Args:
        folder: what is read from.
        scope: path of the folder that has the history.
        now: for telling dates in the future, with zone.
    """
    loading = _Loading(folder, join(scope, HISTORY_FOLDER), now)
    loading.run()
    return History(scope, loading)


@dataclass(slots=True)
class _Loading:
    """A history while it is read."""

    folder: Folder
    place: bytes
    now: datetime | None
    chain: Chain = field(default_factory=Chain)
    generations: dict[int, Generation] = field(default_factory=dict)
    faults: list[Finding] = field(default_factory=list)
    notices: list[Finding] = field(default_factory=list)
    table: RecordTable = field(default_factory=RecordTable)
    moved: dict[bytes, int] = field(default_factory=dict)
    moved_folders: dict[bytes, int] = field(default_factory=dict)
    renamed_folders: dict[bytes, list[tuple[int, bytes]]] = field(default_factory=dict)

    def run(self) -> None:
        path = join(self.place, CHAIN_NAME)
        try:
            with self.folder.open(path) as stream:
                self.chain = read_chain(stream, path)
        except (RecordError, OSError) as error:
            self._fault("chain-unreadable", _why(error), path)
        self.notices += self.chain.notices
        self._look_round()
        for entry in self.chain.entries:
            self._load(entry)

    def _look_round(self) -> None:
        try:
            names = self.folder.names(self.place)
        except OSError as error:
            self._fault("chain-unreadable", _why(error), self.place)
            return
        listed = {entry.path for entry in self.chain.entries}
        for name in sorted(names):
            if name.endswith(MANIFEST_SUFFIX) and name not in listed:
                self._notice("manifest-not-in-chain", "is in no chain and takes no part", name)
            elif name != CHAIN_NAME and name.lower().startswith(b"ascmhl_chain"):
                self._notice("second-chain", "looks like a second chain and takes no part", name)

    def _load(self, entry: ChainEntry) -> None:
        path = join(self.place, entry.path)
        before = len(self.table)
        renames: list[Record] = []
        try:
            with self.folder.open(path) as stream:
                reader = ManifestReader(stream, path)
                for record in reader:
                    self.table.add(entry.number, record)
                    if record.previous_path is not None:
                        renames.append(record)
            changed = reader.c4 != entry.c4
        except FileNotFoundError:
            self.table.cut(before)
            self._fault("manifest-missing", "is named in the chain and is not there", path)
            return
        except (RecordError, OSError) as error:
            self.table.cut(before)
            self._fault_of(error, entry, path)
            return
        if changed:
            self.table.cut(before)
            self._fault("manifest-changed", "is not what the chain says: it was changed", path)
            return
        self._add(entry, reader, len(self.table) - before, path)
        for record in renames:
            self._rename(entry.number, record)

    def _add(self, entry: ChainEntry, reader: ManifestReader, records: int, path: bytes) -> None:
        self.generations[entry.number] = Generation(
            entry.number, entry.path, reader.head, reader.references, entry.c4, records
        )
        self.notices += [Finding(one.code, one.text, path) for one in reader.notices]
        name = read_manifest_name(entry.path)
        if name is not None and name.number != entry.number:
            what = f"is number {entry.number} in the chain and {name.number} by its name"
            self._fault("chain-renumbered", what, path)
        created = reader.head.creator.created_at
        if self.now is not None and created is not None and created > self.now:
            self._notice("manifest-from-the-future", "bears a date in the future", entry.path)

    def _rename(self, number: int, record: Record) -> None:
        old = record.previous_path or b""
        if isinstance(record, HashRecord):
            self.moved[old] = number
        else:
            self.moved_folders[old] = number
            self.renamed_folders.setdefault(record.path, []).append((number, old))

    def _fault_of(self, error: RecordError | OSError, entry: ChainEntry, path: bytes) -> None:
        # A damaged manifest is first of all a changed one.
        is_changed = isinstance(error, RecordError) and self._c4(path) not in (entry.c4, b"")
        why = _why(error)
        if is_changed:
            self._fault("manifest-changed", f"is not what the chain says: {why}", path)
        else:
            self._fault("manifest-unreadable", why, path)

    def _c4(self, path: bytes) -> bytes:
        hasher = Hasher("c4")
        try:
            with self.folder.open(path) as stream:
                while chunk := stream.read(_CHUNK_BYTES):
                    hasher.update(chunk)
        except OSError:
            return b""
        return hasher.digest()

    def _fault(self, code: str, text: str, path: bytes) -> None:
        self.faults.append(Finding(code, text, path))

    def _notice(self, code: str, text: str, name: bytes) -> None:
        self.notices.append(Finding(code, text, join(self.place, name)))


def _ignores(generations: Iterable[Generation]) -> tuple[Ignore, ...]:
    """One matcher, or several where a later list is no mere continuation of an earlier one."""
    lists: list[tuple[str, ...]] = [()]
    for generation in generations:
        patterns = generation.head.ignore
        grows = patterns[: len(lists[-1])] == lists[-1]
        if grows and not any(one.startswith("!") for one in patterns[len(lists[-1]) :]):
            lists[-1] = patterns
        elif patterns not in lists:
            lists.append(patterns)
    return tuple(Ignore(patterns) for patterns in lists)


def _why(error: RecordError | OSError) -> str:
    if isinstance(error, OSError):
        return reason(error)
    return f"{error.what} (line {error.line})" if error.line else error.what
