"""Records of a rename: the new path, the old one beside it, and hashes of a new reading.

Source: ASC MHL 1.0 specification, sections 5.3.3 and 5.6. A renamed folder gets a record with its
previous path, and so does everything below it. The renamed files are read again: ``verified`` when
they agree with what was recorded under the old path, ``failed`` when not.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from offload.record.mhl.history import History
from offload.record.mhl.known import Comparison, Outcome, compare, next_record
from offload.record.mhl.model import DirectoryRecord, HashRecord, Record
from offload.record.mhl.tree import EmptyFolder, Item, NotHashed, tree_records


@dataclass(frozen=True, slots=True)
class ReadFile:
    """A file as it was read now, under its new path.

    Attributes:
        path: relative to the scope.
        digests: raw, by format; empty when it could not be read.
    """

    path: bytes
    digests: Mapping[str, bytes]
    size_bytes: int | None = None
    mtime_ns: int | None = None


def renamed_file(history: History, old: bytes, read: ReadFile) -> tuple[Comparison, Record | None]:
    """The record of one renamed file, and how it compares with what was recorded.

    Returns:
        No record where the file was not recorded under the old path, or in no known format.
    """
    comparison = compare(history.lookup(old), read.digests)
    if comparison.outcome is Outcome.NEW:
        return comparison, None
    return comparison, next_record(
        read.path,
        read.digests,
        comparison,
        size_bytes=read.size_bytes,
        mtime_ns=read.mtime_ns,
        previous_path=old,
    )


def renamed_folder(
    history: History,
    old: bytes,
    new: bytes,
    files: Iterable[ReadFile],
    empty: Iterable[bytes],
    formats: tuple[str, ...],
) -> Iterator[Record]:
    """The records of a renamed folder: itself, every folder and every file below.

    Args:
        old, new: its path before and now.
        files: all files below it, read now.
        empty: all empty folders below it.
        formats: for directory hashes.
    """
    found: list[Item] = [EmptyFolder(path) for path in empty]
    for read in files:
        record = renamed_file(history, old + read.path[len(new) :], read)[1]
        found.append(record if isinstance(record, HashRecord) else NotHashed(read.path))
    found.sort(key=lambda item: item.path)
    for each in tree_records(found, formats):
        if not isinstance(each, DirectoryRecord):
            yield each
        elif each.path == new or each.path.startswith(new + b"/"):
            # Folders further up are not wholly below the rename: they get no hashes here.
            yield replace(each, previous_path=old + each.path[len(new) :])
