"""What killed runs leave in a copy's records, and files that they had written but not finished.

Nothing of it is part of a record: temporary files that never took their names, and manifests that
took theirs and never came into the chain (a manifest that is not in the chain is no part of the
history, ASC MHL 1.0, section 5.4). It is removed before the next record is written, under the
roll's lock. What another program put there stays.
"""

import os

from offload.errors import RecordError
from offload.jobs.placing import Place
from offload.record.mhl.chain import Chain
from offload.record.mhl.naming import HISTORY_FOLDER, read_manifest_name
from offload.record.mhl.read import ManifestReader
from offload.storage.durable import remove_temporary
from offload.storage.root import Root
from offload.storage.times import give_time
from offload.values.entries import Entries, Kind
from offload.values.findings import Finding
from offload.values.paths import join

TOOL = "offload"
NOT_KEPT = "the drive would not take its modification time; the manifest has it"
_TIME_GRAIN_NS = 2_000_000_000
"""Of FAT, the coarsest there is (design, decision 9)."""


def remove_leftovers(place: Place, chain: Chain) -> None:
    """Remove what no record names, before the next one is written.

    Raises:
        OSError: the drive failed.
    """
    remove_temporary(place.drive.root, place.records)
    remove_unnamed(place.drive.root, join(place.lies_in, HISTORY_FOLDER), chain)


def remove_unnamed(root: Root, history: bytes, chain: Chain) -> None:
    """Remove from one history's folder what a killed run has left and its chain does not name.

    Raises:
        OSError: the drive failed.
    """
    if not root.exists(history):
        return
    remove_temporary(root, history)
    named = {entry.path for entry in chain.entries}
    for each in root.names(history):
        found = read_manifest_name(each)
        is_next = found is not None and found.number == chain.next_number
        if is_next and each not in named and _is_ours(root, join(history, each)):
            root.remove_file(join(history, each))


def finish_files(place: Place, entries: Entries) -> list[Finding]:
    """Give files of a half-done copy the times that a killed run had not given them yet.

    Returns:
        What the drive would not take.

    Raises:
        OSError: the drive failed.
    """
    refused: list[Finding] = []
    root = place.drive.root
    for number in range(len(entries)):
        if entries.kind(number) is not Kind.FILE or not place.is_half_done(number):
            continue
        entry = entries[number]
        path = place.path_of(number, entry.path)
        if abs(root.facts(path).st_mtime_ns - entry.mtime_ns) < _TIME_GRAIN_NS:
            continue
        fd = root.open_file(path)
        try:
            if not give_time(fd, entry.mtime_ns):
                refused.append(Finding("time-not-kept", NOT_KEPT, entry.path, place.name))
        finally:
            os.close(fd)
    return refused


def _is_ours(root: Root, path: bytes) -> bool:
    fd = root.open_file(path)
    with open(fd, "rb") as content:
        try:
            return ManifestReader(content, path).head.creator.tool == TOOL
        except RecordError:
            return False
