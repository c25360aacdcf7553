"""What a mounted volume is, by a short look at it: card, delivery, drive, or nothing we know.

The look is bounded, by depth and by number of names, and asks for no sizes or times: it is taken
before anybody knows whether the volume is any of our business. What it does not find within its
bounds is looked for in all of the listing, where a job will make one anyway.
"""

import errno
import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import islice

from offload.card.layout import recognise
from offload.card.rules import LayoutRule
from offload.errors import CardError, reason
from offload.jobs.opening import MARKER, read_marker
from offload.jobs.placing import RECORDS
from offload.jobs.recording import SIGNATURE
from offload.jobs.verify_place import roll_of
from offload.record.mhl.naming import CHAIN_NAME, COLLECTION_NAME, HISTORY_FOLDER
from offload.storage.root import Root
from offload.values.entries import Entry, Kind
from offload.values.paths import join, name, parent, to_text

_MOST_NAMES = 4000
_MOST_FOLDERS = 400
_DEPTH = 4
_NOT_ITS_FAULT = frozenset((errno.EACCES, errno.EPERM, errno.ENOENT, errno.ENOTDIR, errno.ELOOP))


class VolumeKind(Enum):
    """What a volume is."""

    CARD = "card"
    DELIVERY = "delivery"
    """A drive from somebody else, with their record on it."""
    DRIVE = "drive"
    """It bears the marker of a drive that copies were written to."""
    UNKNOWN = "unknown"
    EMPTY = "empty"


@dataclass(frozen=True, slots=True)
class Looked:
    """What the look found.

    Attributes:
        kind: see there.
        title: of the card's layout, for people; empty for anything else.
        is_whole: nothing was left out by the look's bounds.
        problem: nothing tells what it is, and one of its folders gives errors: a clause about that,
            safe to show; empty else.
    """

    kind: VolumeKind
    title: str = ""
    is_whole: bool = True
    problem: str = ""


def look_at_volume(
    mount_point: bytes,
    rules: Sequence[LayoutRule] | None = None,
    is_own: Callable[[str], bool] = lambda _: True,
) -> Looked:
    """Look at a volume; may hang where its device hangs, so not in a thread that must not.

    Args:
        mount_point: absolute.
        rules: card layouts; ours where left out.
        is_own: whether a number in a drive's marker is that of a drive of this station. A sender's
            drive may bear one as well, and is a delivery.

    Raises:
        CardError: its top level cannot be listed.
    """
    try:
        with Root(mount_point, keep_times=True) as root:
            is_drive = root.exists(MARKER)
            if is_drive and is_own(read_marker(root)):
                return Looked(VolumeKind.DRIVE)
            sight = _Sight(root)
            found = _judged(list(sight.entries()), sight, rules)
            is_delivery = found.kind is VolumeKind.DELIVERY
            return Looked(VolumeKind.DRIVE) if is_drive and not is_delivery else found
    except OSError as error:
        raise CardError(
            f"it cannot be listed: {reason(error)}",
            path=mount_point,
            meaning="Nothing is known of what is on it: keep it.",
            remedy="Check that this user may read removable volumes, try another reader.",
        ) from error


def _judged(entries: list[Entry], sight: "_Sight", rules: Sequence[LayoutRule] | None) -> Looked:
    if not entries:
        return Looked(VolumeKind.EMPTY)
    # Records beside rolls, or a collection above them, are never a camera's; a bare history is
    # often made on a card itself.
    if sight.has_records:
        return Looked(VolumeKind.DELIVERY, is_whole=sight.is_whole)
    layout = recognise(entries, rules)
    if layout is not None:
        return Looked(VolumeKind.CARD, layout.title, sight.is_whole)
    # What would tell a card may lie in there.
    return Looked(VolumeKind.UNKNOWN, is_whole=sight.is_whole, problem=sight.problem)


def is_delivery(mount_point: bytes) -> bool:
    """Whether a volume or folder holds rolls with their records beside them, or a collection.

    Stricter than :func:`look_at_volume`, since it keeps a person's word from being taken: a folder
    that is merely called ``records`` makes no delivery.
    """
    try:
        with Root(mount_point, keep_times=True) as root:
            sight = _Sight(root)
            folders = {entry.path for entry in sight.entries() if entry.kind is Kind.FOLDER}
    except OSError:
        return False
    return sight.has_collection or any(
        name(parent(folder)) == RECORDS and join(parent(parent(folder)), name(folder)) in folders
        for folder in folders
    )


def is_copied_roll(folder: bytes) -> bool:
    """Whether a folder is a copy of a roll: it has a history, and its signed record lies beside it.

    No card words are ever said of one, whatever is asked for.
    """
    record = join(join(parent(folder), RECORDS), roll_of(name(folder)))
    try:
        with Root(folder, keep_times=True) as root, Root(record, keep_times=True) as beside:
            has_history = root.exists(join(HISTORY_FOLDER, CHAIN_NAME))
            return has_history and beside.exists(CHAIN_NAME + SIGNATURE)
    except OSError:
        return False


class _Sight:
    """Names and kinds from the top down, within bounds."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self.is_whole = True
        self.has_records = False
        self.has_collection = False
        self.problem = ""

    def entries(self) -> Iterator[Entry]:
        """The entries that were seen.

        Raises:
            OSError: the top level cannot be listed.
        """
        waiting = deque([(b"", 1)])
        left, folders = _MOST_NAMES, 0
        while waiting and left > 0:
            folder, depth = waiting.popleft()
            folders += 1
            for path, is_folder in self._names(folder, left):
                left -= 1
                self._note(path, is_folder=is_folder)
                yield Entry(path, Kind.FOLDER if is_folder else Kind.FILE)
                if is_folder and depth < _DEPTH and folders + len(waiting) < _MOST_FOLDERS:
                    waiting.append((path, depth + 1))
                elif is_folder:
                    self.is_whole = False
        self.is_whole = self.is_whole and not waiting and left > 0

    def _names(self, folder: bytes, limit: int) -> list[tuple[bytes, bool]]:
        try:
            with os.scandir(self._root.folder(folder)) as listing:
                return [
                    (join(folder, os.fsencode(entry.name)), entry.is_dir(follow_symlinks=False))
                    for entry in islice(listing, limit)
                ]
        except OSError as error:
            if not folder:
                raise
            # A folder of somebody else's, or one that has just gone, is no sign of a bad card.
            if not self.problem and error.errno not in _NOT_ITS_FAULT:
                self.problem = f"its folder {to_text(folder)} cannot be listed: {reason(error)}"
            return []

    def _note(self, path: bytes, *, is_folder: bool) -> None:
        last = path.rpartition(b"/")[2]
        if not is_folder and last == COLLECTION_NAME:
            self.has_collection = True
        if self.has_collection or (is_folder and last == RECORDS):
            self.has_records = True
