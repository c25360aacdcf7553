"""A packing list: one stand-alone manifest that sums up a history and those nested in it.

Source: ASC MHL 1.0 specification, section 5.6.7. For each file and format the earliest hash that
counts, as it stands; facts of the file from its latest record; folders' hashes are left out.
Nothing is read anew and nothing is added to the history.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime

from offload.record.mhl.chain import ChainEntry
from offload.record.mhl.custody import Custody
from offload.record.mhl.known import Generation, Known
from offload.record.mhl.model import Hash, HashRecord
from offload.record.mhl.naming import read_manifest_name
from offload.values.paths import join


def everything(_path: bytes) -> bool:
    """All files."""
    return True


@dataclass(slots=True)
class Flattening:
    """One run over a custody; iterate for its records, each time anew.

    Attributes:
        left_out: after iterating, the files without any hash that counts; they are in no record.
    """

    custody: Custody
    is_wanted: Callable[[bytes], bool] = everything
    left_out: list[bytes] = field(default_factory=list)

    def __iter__(self) -> Iterator[HashRecord]:
        self.left_out.clear()
        for path, _ in self.custody.current():
            if not self.is_wanted(path):
                continue
            known = self.custody.lookup(path)
            record = _flat(known, path) if known else None
            if record is None:
                self.left_out.append(path)
            else:
                yield record


def collection_entries(manifests: Iterable[tuple[bytes, bytes]]) -> list[ChainEntry]:
    """The entries of a collection: paths relative to its file, and raw c4 of each manifest."""
    return [ChainEntry(number, path, c4) for number, (path, c4) in enumerate(manifests, 1)]


def _flat(known: Known, path: bytes) -> HashRecord | None:
    hashes = tuple(_dated(said.hash, said.generation) for _, said in sorted(known.usable().items()))
    if not hashes:
        return None
    return replace(known.newest, path=path, hashes=hashes, previous_path=_previous(known, path))


def _dated(found: Hash, generation: Generation) -> Hash:
    # Without a date a hash counts as made when its manifest was: here, that would be a lie.
    if found.hashed_at is not None:
        return found
    return replace(found, hashed_at=_made_at(generation))


def _made_at(generation: Generation) -> datetime | None:
    created = generation.head.creator.created_at
    if created is not None:
        return created
    name = read_manifest_name(generation.name)
    return name.started_at if name else None


def _previous(known: Known, path: bytes) -> bytes | None:
    scope = path[: len(path) - len(known.path)].rstrip(b"/")
    earlier = [
        sighting.record.previous_path
        for sighting in known.sightings
        if sighting.record.previous_path is not None
    ]
    return join(scope, earlier[-1]) if earlier else None
