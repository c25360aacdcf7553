"""Putting one file back from a good copy, such that nothing is lost at any moment.

The good content grows under a temporary name, is read back past the cache and compared with the
record; only then the damaged file is moved aside and the good one takes its name. A power cut
between the two leaves both: the damaged one aside, the good one under its temporary name; the same
command then begins anew with this file.
"""

import contextlib
import os
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from offload.checksum import Hashers
from offload.errors import MismatchError
from offload.jobs.keeping_aside import move_aside
from offload.jobs.verify_place import ASIDE
from offload.storage.durable import temporary_name
from offload.storage.evidence import drop_pages
from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_descriptor, sync_folder
from offload.storage.times import give_time
from offload.values.paths import join, name, parent

REPLACED = b"replaced" + ASIDE
"""Folder for damaged files of a history that lies at the very top, and so has no beside."""

_CHUNK_BYTES = 4 << 20

IsAsRecorded = Callable[[Mapping[str, bytes]], bool]
"""Whether raw digests by algorithm are what the record of the copy says."""


@dataclass(frozen=True, slots=True)
class Repair:
    """One file to put back.

    Attributes:
        path: below the root of the copy.
        scope: the folder whose record speaks of it.
        source: path of the good content, below the root of the other copy.
        algorithms: to compare by.
        is_as_recorded: see there.
    """

    path: bytes
    scope: bytes
    source: bytes
    algorithms: tuple[str, ...]
    is_as_recorded: IsAsRecorded


def put_back(copy: Root, other: Root, repair: Repair, moved: Callable[[int], None]) -> bytes:
    """Put one file back.

    Args:
        copy: the root that is mended.
        other: the root that has the good content; only read.
        repair: see there.
        moved: told of bytes written.

    Returns:
        Where the damaged file lies now; empty where there was none.

    Raises:
        MismatchError: what was read from the other copy, or read back, is not what is recorded; or
            what stands in its place is no file.
        OSError: the drive failed or is full. The copy is as it was, as far as it lets itself be.
    """
    _make_durably(copy, parent(repair.path))
    temporary = temporary_name(repair.path)
    _remove_if_there(copy, temporary)
    try:
        _write(copy, temporary, other, repair, moved)
        _prove(copy, temporary, repair)
        aside = _move_aside(copy, repair)
    except BaseException:
        with contextlib.suppress(OSError):
            _remove_if_there(copy, temporary)
        raise
    # From here on the temporary name holds the good content and is never removed.
    rename_exclusive(copy, temporary, repair.path)
    sync_folder(copy, parent(repair.path))
    return aside


def aside_folder(scope: bytes) -> bytes:
    """Where damaged files of a scope are kept: beside it, so that it holds nothing unrecorded."""
    return join(parent(scope), name(scope) + ASIDE) if scope else REPLACED


def _write(
    copy: Root, temporary: bytes, other: Root, repair: Repair, moved: Callable[[int], None]
) -> None:
    hashers = Hashers(repair.algorithms)
    with other.open_stream(repair.source, buffering=0) as source:
        facts = os.fstat(source.fileno())
        drop_pages(source.fileno(), facts.st_size)
        fd = copy.open_file(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        with open(fd, "wb", buffering=0) as out:
            while part := source.read(_CHUNK_BYTES):
                hashers.update(part)
                _write_all(out.write, part)
                moved(len(part))
            give_time(fd, facts.st_mtime_ns)
            sync_descriptor(fd)
    if not repair.is_as_recorded(hashers.digests()):
        raise MismatchError(
            "the other copy did not read as it did before",
            path=join(other.path, repair.source),
            meaning="It is failing too. This file was left as it was.",
            remedy="Mend it from a third copy.",
        )


def _write_all(write: Callable[[memoryview], int | None], part: bytes) -> None:
    view = memoryview(part)
    while view:
        view = view[write(view) or 0 :]


def _prove(copy: Root, temporary: bytes, repair: Repair) -> None:
    hashers = Hashers(repair.algorithms)
    with copy.open_stream(temporary, buffering=0) as stream:
        drop_pages(stream.fileno(), os.fstat(stream.fileno()).st_size)
        while part := stream.read(_CHUNK_BYTES):
            hashers.update(part)
    if not repair.is_as_recorded(hashers.digests()):
        raise MismatchError(
            "what was written does not read back the same",
            path=join(copy.path, repair.path),
            meaning="The drive is failing. This file was left as it was.",
            remedy="Copy the whole roll to another drive from a good copy.",
        )


def _move_aside(copy: Root, repair: Repair) -> bytes:
    try:
        facts = copy.facts(repair.path)
    except FileNotFoundError:
        return b""
    if not stat.S_ISREG(facts.st_mode):
        raise _in_the_way(copy, repair.path, "something that is no file stands in its place")
    inner = repair.path[len(repair.scope) + 1 :] if repair.scope else repair.path
    try:
        return move_aside(copy, repair.path, join(aside_folder(repair.scope), inner))
    except FileExistsError as error:
        what = "too many damaged ones of its name are kept aside already"
        raise _in_the_way(copy, repair.path, what) from error


def _in_the_way(copy: Root, path: bytes, what: str) -> MismatchError:
    return MismatchError(
        what,
        path=join(copy.path, path),
        meaning="It was left as it was.",
        remedy="Move it away, then the same command.",
    )


def _make_durably(root: Root, folder: bytes) -> None:
    for made in root.make_folders(folder):
        sync_folder(root, parent(made))


def _remove_if_there(root: Root, path: bytes) -> None:
    with contextlib.suppress(FileNotFoundError):
        root.remove_file(path)
