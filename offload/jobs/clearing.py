"""Publishing a clearance: the same signed statement on every drive that it counts, or on none.

Written and synced under a temporary name everywhere first; only when all of them are down do they
take their names, the signature before the statement, so that a statement that is there is signed.
"""

import contextlib
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from offload.checksum import digest_text
from offload.jobs.placing import Place
from offload.jobs.recording import SIGNATURE
from offload.record.keys import SigningKey
from offload.record.sshsig import sign
from offload.storage.durable import stage
from offload.storage.naming import rename_exclusive
from offload.storage.syncing import sync_folder
from offload.values.paths import join, name, parent

STEM = b"clearance-"
SUFFIX = b".json"
WITHDRAWN = b"withdrawn-"
_MOST = 9999


@dataclass(frozen=True, slots=True)
class Published:
    """A clearance that lies on every drive it counts.

    Attributes:
        c4: C4 ID of the statement's bytes.
        paths: by drive name, absolute.
        content: the statement.
        named: where it and its signature lie, in the order in which they got their names.
    """

    c4: str
    paths: dict[str, bytes]
    content: bytes
    named: tuple[tuple[Place, bytes], ...] = ()


class PublishingError(Exception):
    """One drive would not take the statement; it lies on none under its name.

    Attributes:
        drive: the drive's name.
        error: what the system said.
    """

    def __init__(self, drive: str, error: OSError) -> None:
        super().__init__(drive)
        self.drive = drive
        self.error = error


def withdrawal_of(clearance: bytes) -> bytes:
    """Where the withdrawal of ``clearance-NNNN.json`` lies, if there is one."""
    return join(parent(clearance), WITHDRAWN + name(clearance).removeprefix(STEM))


def publish(places: Sequence[Place], content: bytes, key: SigningKey) -> Published:
    """Put a statement on every drive.

    Args:
        places: every drive that it counts.
        content: canonical bytes.
        key: signs.

    Raises:
        PublishingError: a drive refused; the statement is in force nowhere.
    """
    signature = sign(key, content)
    staged: list[tuple[Place, bytes, bytes]] = []
    named: list[tuple[Place, bytes]] = []
    try:
        for place in places:
            with _telling(place):
                remove_lone_signatures(place, STEM)
                path = free_name(place, STEM)
                signed = path + SIGNATURE
                root = place.drive.root
                staged.append((place, path, stage(root, path, content)))
                staged.append((place, signed, stage(root, signed, signature)))
        for place, path, temporary in reversed(staged):
            with _telling(place):
                _take_name(place, temporary, path, named)
    except PublishingError:
        _take_back(named)
        for place, _, temporary in staged:
            with contextlib.suppress(OSError):
                place.drive.root.remove_file(temporary)
        raise
    c4 = digest_text("c4", hashlib.sha512(content).digest())
    paths = {
        place.name: join(place.drive.root.path, path)
        for place, path in named
        if path.endswith(SUFFIX)
    }
    return Published(c4, paths, content, tuple(named))


def withdraw(published: Published) -> None:
    """Take a statement back from every drive, as when the ledger will not have it."""
    _take_back(published.named)


def _take_name(
    place: Place, temporary: bytes, path: bytes, named: list[tuple[Place, bytes]]
) -> None:
    """Give a staged file its name; whatever may have it afterwards is noted in ``named``."""
    root = place.drive.root
    try:
        rename_exclusive(root, temporary, path)
    except FileExistsError:
        raise
    except OSError:
        # A drive may have done it and say that it has not: only then is the file no longer here.
        with contextlib.suppress(OSError):
            if not root.exists(temporary):
                named.append((place, path))
        raise
    named.append((place, path))
    sync_folder(root, parent(path))


def _take_back(named: Sequence[tuple[Place, bytes]]) -> None:
    # The statement goes before its signature, the other way round than it came.
    for place, path in reversed(named):
        with contextlib.suppress(OSError):
            place.drive.root.remove_file(path)
    for place in {id(place): place for place, _ in named}.values():
        # Else a power cut could bring it back.
        with contextlib.suppress(OSError):
            sync_folder(place.drive.root, place.records)


def remove_lone_signatures(place: Place, stem: bytes) -> None:
    """A run that was killed, or a drive that failed, may leave one whose statement never came.

    Raises:
        OSError: the drive failed.
    """
    root = place.drive.root
    names = set(root.names(place.records))
    for each in names:
        statement = each.removesuffix(SIGNATURE)
        is_lone = each != statement and statement not in names
        if is_lone and statement.startswith(stem) and statement.endswith(SUFFIX):
            root.remove_file(join(place.records, each))


def free_name(place: Place, stem: bytes) -> bytes:
    """Where the next statement of a kind goes; none that is there is ever replaced.

    Raises:
        FileExistsError: there is no number left.
        OSError: the drive failed.
    """
    for number in range(1, _MOST + 1):
        path = join(place.records, stem + b"%04d" % number + SUFFIX)
        # Nor a number whose withdrawal outlived its clearance: it would stand in the way of ours.
        taken = (path, path + SIGNATURE, withdrawal_of(path))
        if not any(place.drive.root.exists(each) for each in taken):
            return path
    raise FileExistsError(f"{_MOST} statements of one kind about one roll")


@contextlib.contextmanager
def _telling(place: Place) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise PublishingError(place.name, error) from error
