"""Everything on the card, found in one walk; nothing is opened that is no file, nothing followed.

Every listing error is kept with its path. A folder that cannot be listed is an entry of its own,
so that it can never pass for an empty one.
"""

import os
import stat
import struct
from bisect import bisect_left
from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass, field

from offload.card.leftout import SIGNATURE_BYTES, is_left_out_file, is_left_out_folder
from offload.card.signatures import has_clip_signature
from offload.checksum import COMPARE, Hasher
from offload.errors import CardError, reason
from offload.storage.root import Root
from offload.values.entries import Entries, Entry, Kind
from offload.values.inventory import Inventory
from offload.values.paths import join, to_text

IsInnerMount = Callable[[bytes, int], bool]
"""Whether the folder at a path, open at a descriptor, is another file system or mounting."""

_TIMES = struct.Struct("<qq")

_MOST_CLIPS = 1000
"""Named among what is left out; one is enough to keep the card."""

_KINDS = (
    (stat.S_ISREG, Kind.FILE),
    (stat.S_ISLNK, Kind.LINK),
    (stat.S_ISFIFO, Kind.PIPE),
    (stat.S_ISSOCK, Kind.SOCKET),
)


@dataclass(frozen=True, slots=True)
class Walk:
    """What one walk found.

    Attributes:
        inventory: entries, what was left out, digest.
        left_out_clips: paths of what is left out and begins like a clip.
        newest_change_ns: latest change time (``ctime``) of anything that was listed, the top
            folder too; nanoseconds since 1970.
        moment: one checksum over names and times of all files and folders that are not left out:
            the same only while none of them was touched. A clock says less: the camera's may be
            ahead of this computer's, and this computer's may be set back.
    """

    inventory: Inventory
    left_out_clips: tuple[bytes, ...] = ()
    newest_change_ns: int = 0
    moment: str = ""

    @property
    def has_footage_left_out(self) -> bool:
        """Whether footage lies among what is not copied."""
        return bool(self.left_out_clips)


@dataclass(slots=True)
class _Walker:
    root: Root
    is_inner_mount: IsInnerMount
    left_out: list[Entry] = field(default_factory=list)
    clips: list[bytes] = field(default_factory=list)
    newest_change_ns: int = 0
    moment: Hasher = field(default_factory=lambda: Hasher(COMPARE))

    def begin(self) -> None:
        """Take in the top folder itself."""
        facts = self.root.facts(b"")
        self.newest_change_ns = facts.st_ctime_ns
        self._note_moment(b"", facts)

    def below(self, top: bytes) -> Iterator[Entry]:
        """Everything below ``top``, folder by folder."""
        folders = [top]
        while folders:
            folder = folders.pop()
            try:
                yield from self._folder(folder, folders)
            except OSError as error:
                if not folder:
                    raise
                yield Entry(folder, Kind.UNREADABLE, note=reason(error))

    def _folder(self, folder: bytes, folders: list[bytes]) -> Iterator[Entry]:
        if folder and self.is_inner_mount(folder, self.root.folder(folder)):
            yield Entry(folder, Kind.MOUNT)
            return
        # A name listed twice stays twice: of two files behind it only one could be read.
        names = sorted(self.root.names(folder))
        siblings = _Sorted(names)
        is_empty = True
        for entry, facts in self.root.in_order(folder, names):
            path = join(folder, entry)
            if isinstance(facts, OSError):
                yield from self._unreadable(path, facts)
                continue
            self.newest_change_ns = max(self.newest_change_ns, facts.st_ctime_ns)
            if stat.S_ISDIR(facts.st_mode):
                if is_left_out_folder(path) and not self._is_mount(path):
                    self._leave_out_folder(path)
                else:
                    self._note_moment(path, facts)
                    folders.append(path)
                    is_empty = False
            else:
                made = self._entry(path, facts, siblings)
                if made is not None:
                    self._note_moment(path, facts)
                    yield made
                    is_empty = is_empty and made.kind is not Kind.FILE
        if folder and is_empty:
            yield Entry(folder, Kind.FOLDER)

    def _note_moment(self, path: bytes, facts: os.stat_result) -> None:
        # No inode: drivers without such numbers of their own make them up anew.
        times = _TIMES.pack(facts.st_mtime_ns, facts.st_ctime_ns)
        self.moment.update(b"%d:%b%b" % (len(path), path, times))

    def _is_mount(self, path: bytes) -> bool:
        try:
            return self.is_inner_mount(path, self.root.folder(path))
        except OSError:
            return False  # not to be opened, so nothing is entered either

    def _unreadable(self, path: bytes, error: OSError) -> Iterator[Entry]:
        entry = Entry(path, Kind.UNREADABLE, note=reason(error))
        if is_left_out_folder(path):
            self.left_out.append(entry)
        else:
            yield entry

    def _entry(
        self, path: bytes, facts: os.stat_result, siblings: Container[bytes]
    ) -> Entry | None:
        kind = _kind_of(facts)
        if kind is Kind.LINK:
            return Entry(path, kind, note=self._target(path))
        if kind is not Kind.FILE:
            return Entry(path, kind)
        entry = Entry(path, kind, facts.st_size, facts.st_mtime_ns)
        try:
            is_left_out = is_left_out_file(path, kind, siblings, lambda n: self._head(path, n))
        except OSError:
            # It cannot be shown to be the computer's; copying will say what is wrong with it.
            is_left_out = False
        if not is_left_out:
            return entry
        self._leave_out_file(entry)
        return None

    def _target(self, path: bytes) -> str:
        try:
            return to_text(self.root.link_target(path))
        except OSError as error:
            return reason(error)

    def _head(self, path: bytes, length: int) -> bytes:
        fd = self.root.open_file(path)
        try:
            return os.pread(fd, length, 0)
        finally:
            os.close(fd)

    def _leave_out_file(self, entry: Entry) -> None:
        self.left_out.append(entry)
        if not entry.size_bytes or len(self.clips) >= _MOST_CLIPS:
            return
        try:
            is_clip = has_clip_signature(self._head(entry.path, SIGNATURE_BYTES))
        except OSError:
            return  # listed by name and size; the computer's own folders are often closed
        if is_clip:
            self.clips.append(entry.path)

    def _leave_out_folder(self, top: bytes) -> None:
        self.left_out.append(Entry(top, Kind.FOLDER))
        folders = [top]
        while folders:
            folder = folders.pop()
            try:
                found = self.root.scan(folder)
            except OSError as error:
                self.left_out.append(Entry(folder, Kind.UNREADABLE, note=reason(error)))
                continue
            for entry, facts in found:
                path = join(folder, entry)
                if isinstance(facts, OSError):
                    self.left_out.append(Entry(path, Kind.UNREADABLE, note=reason(facts)))
                elif stat.S_ISDIR(facts.st_mode):
                    folders.append(path)
                else:
                    size = facts.st_size if stat.S_ISREG(facts.st_mode) else 0
                    self._leave_out_file(Entry(path, _kind_of(facts), size, facts.st_mtime_ns))


def take_inventory(root: Root, is_inner_mount: IsInnerMount) -> Walk:
    """Walk the card.

    Args:
        root: the held card.
        is_inner_mount: asked for each folder but the top; such a folder is never entered.

    Raises:
        CardError: the top level cannot be listed: that is "no permission" or a damaged card, and
            not an empty one.
    """
    root.forget_folders()
    walker = _Walker(root, is_inner_mount)
    try:
        walker.begin()
        entries = Entries(walker.below(b""))
    except OSError as error:
        raise CardError(
            f"the card's top level cannot be listed: {reason(error)}",
            path=root.path,
            meaning="Nothing is known of what is on it, so nothing was copied.",
            remedy="Check that this user may read removable volumes, try another reader, then the "
            "same command again.",
        ) from error
    inventory = Inventory(entries, Entries(walker.left_out))
    return Walk(inventory, tuple(walker.clips), walker.newest_change_ns, walker.moment.text())


class _Sorted(Container[bytes]):
    """The names of one folder, in order; a set of a million would hold each once more."""

    def __init__(self, names: list[bytes]) -> None:
        self._names = names

    def __contains__(self, entry: object) -> bool:
        if not isinstance(entry, bytes):
            return False
        at = bisect_left(self._names, entry)
        return at < len(self._names) and self._names[at] == entry


def _kind_of(facts: os.stat_result) -> Kind:
    for matches, kind in _KINDS:
        if matches(facts.st_mode):
            return kind
    return Kind.DEVICE
