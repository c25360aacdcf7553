"""Small histories over a plain directory, for the tests of reading and appending."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from offload.checksum import digest_of
from offload.record.mhl.custody import Custody, load_custody
from offload.record.mhl.generation import Added, Operation, add_generations
from offload.record.mhl.history import History, load_history
from offload.record.mhl.known import compare, next_record
from offload.record.mhl.model import Author, Creator, HashRecord, Process
from offload.record.mhl.tree import EmptyFolder, Item
from offload.values.paths import join
from tests.record.plain_folder import PlainFolder

START = datetime(2024, 5, 1, 8, 0, 0, tzinfo=UTC)


def operation(number: int = 1, **changes: object) -> Operation:
    """The operation number so-and-so, an hour after the one before."""
    at = START + timedelta(hours=number - 1)
    creator = Creator(at + timedelta(minutes=5), "cart1", "offload", "0", (Author("A. Person"),))
    return replace(Operation(creator, Process.TRANSFER, at, b"Day1"), **changes)  # type: ignore[arg-type]


@dataclass
class Desk:
    """Somebody who hashes files in a directory and appends generations."""

    folder: PlainFolder
    number: int = 0

    def put(self, files: Mapping[bytes, bytes]) -> None:
        """Write files of the test."""
        for path, content in files.items():
            self.folder.put(path, content)

    def history(self, scope: bytes = b"") -> History:
        """Load one."""
        return load_history(self.folder, scope)

    def custody(self, top: bytes = b"") -> Custody:
        """Load one and all nested in it."""
        return load_custody(self.folder, top)

    def hash(
        self,
        files: Mapping[bytes, Iterable[bytes]],
        algorithms: Iterable[str] = ("xxh64",),
        *,
        custody: Custody | None = None,
        empty: Mapping[bytes, Iterable[bytes]] | None = None,
        **changes: object,
    ) -> list[Added]:
        """Read the files of each scope and append what comes of it to each history.

        Args:
            files: by scope, paths relative to it.
            empty: empty folders, likewise.
            changes: to the operation.
        """
        known = custody if custody is not None else load_custody(self.folder, b"", files)
        algorithms = tuple(algorithms)
        self.number += 1

        def items(scope: bytes) -> Iterable[Item]:
            found: list[Item] = [
                self._record(known, scope, path, algorithms) for path in files.get(scope, ())
            ]
            found += [EmptyFolder(path) for path in (empty or {}).get(scope, ())]
            return sorted(found, key=lambda item: item.path)

        begin = [scope for scope in files if scope not in known.histories]
        return add_generations(
            self.folder, known, operation(self.number, **changes), items, begin=begin
        )

    def _record(
        self, custody: Custody, scope: bytes, path: bytes, algorithms: tuple[str, ...]
    ) -> HashRecord:
        content = self.folder.content(join(scope, path))
        history = custody.histories.get(scope)
        known = history.lookup(path) if history else None
        wanted = {*algorithms, *(known.usable() if known else ())}
        digests = {name: digest_of(name, content) for name in wanted}
        comparison = compare(known, digests)
        record = next_record(path, digests, comparison, size_bytes=len(content))
        assert record is not None
        return record
