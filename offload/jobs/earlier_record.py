"""What a copy's own history says already: read when a copy is proven in place or gone on with."""

import io
from collections.abc import Mapping
from dataclasses import dataclass, field

from offload.errors import RecordError, reason
from offload.jobs.placing import Place, nested_scopes
from offload.record.mhl.chain import Chain, read_chain
from offload.record.mhl.custody import nearest_scope
from offload.record.mhl.model import Action, HashRecord, RootHash
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.record.mhl.read import ManifestReader
from offload.storage.root import Root
from offload.transfer.results import Digests
from offload.values.entries import Entries
from offload.values.paths import join, parent

CHAIN_LIMIT_BYTES = 64 << 20


@dataclass(slots=True)
class Earlier:
    """A history as it lies on a drive; empty where there is none.

    Attributes:
        chain: all generations.
        chain_content: the chain file's bytes.
        root: root hashes of the newest generation; none when it has none.
        hashes: the first usable digests of each recorded path, by format.
        ignore: the patterns of all generations, in the order in which they came.
        has_references: some manifest refers to a nested history.
        has_renames: some record tells of a path before.
    """

    chain: Chain = field(default_factory=Chain)
    chain_content: bytes = b""
    root: RootHash | None = None
    hashes: dict[bytes, dict[str, bytes]] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    has_references: bool = False
    has_renames: bool = False

    def action_for(self, path: bytes, digests: Mapping[str, bytes]) -> Action:
        """What a new record of this path is: the first one, or one that agrees with earlier ones.

        Raises:
            RecordError: the history says that these are other bytes.
        """
        known = self.hashes.get(path)
        if not known:
            return Action.ORIGINAL
        shared = known.keys() & digests.keys()
        if not shared or any(known[each] != digests[each] for each in shared):
            raise other_file_error(path)
        return Action.VERIFIED


def other_file_error(path: bytes) -> RecordError:
    """The history of a copy speaks against a file that was proven in it."""
    return RecordError(
        "the record beside this copy says that the file is another one",
        path=path,
        meaning="Copy and card agree with each other and not with the record there.",
        remedy="Give this card another roll name:  offload copy --roll NAME",
    )


def read_earlier(root: Root, history: bytes) -> Earlier:
    """Read a copy's history, every manifest checked against the chain.

    Raises:
        RecordError: it is broken, cut, or not what its chain says.
        OSError: it cannot be read.
    """
    try:
        content = root.read_small(join(history, CHAIN_NAME), CHAIN_LIMIT_BYTES)
    except FileNotFoundError:
        return Earlier()
    chain = read_chain(io.BytesIO(content), join(history, CHAIN_NAME))
    found = Earlier(chain, content)
    for entry in chain.entries:
        _read_manifest(root, join(history, entry.path), entry.c4, found)
    return found


def contradicts(place: Place, entries: Entries, digests: Digests) -> bool:
    """Whether the record of a finished or partial copy says that a file there is not the card's.

    Raises:
        RecordError: the record is broken.
        OSError: it cannot be read.
    """
    root = place.drive.root
    # Histories that the card brings go on within the copy, each for what lies nearest below it.
    earlier = {
        scope: read_earlier(root, join(join(place.lies_in, scope), HISTORY_FOLDER))
        for scope in (b"", *nested_scopes(place))
    }
    for number in range(len(entries)):
        path = place.path_in_copy(entries.path(number))
        known = _known(path, earlier)
        if not known or not place.present[number]:
            continue
        for algorithm in known.keys() & set(digests.names):
            digest = digests.get(algorithm, number)
            if digest is not None and digest != known[algorithm]:
                return True
    return False


def _known(path: bytes, earlier: Mapping[bytes, Earlier]) -> Mapping[str, bytes]:
    """What the nearest history says of a file, or one further out, from before it was begun."""
    scope = nearest_scope(earlier, parent(path))
    while scope:
        if known := earlier[scope].hashes.get(path[len(scope) + 1 :]):
            return known
        scope = nearest_scope(earlier, parent(scope))
    return earlier[b""].hashes.get(path, {})


def _read_manifest(root: Root, path: bytes, c4: bytes, found: Earlier) -> None:
    try:
        fd = root.open_file(path)
    except OSError as error:
        raise RecordError(
            f"a manifest that the chain names cannot be read: {reason(error)}", path=path
        ) from error
    with open(fd, "rb") as content:
        reader = ManifestReader(content, path)
        found.ignore = tuple(dict.fromkeys((*found.ignore, *reader.head.ignore)))
        for record in reader:
            found.has_renames = found.has_renames or record.previous_path is not None
            if isinstance(record, HashRecord):
                known = found.hashes.setdefault(record.path, {})
                for each in record.hashes:
                    if each.action in (Action.ORIGINAL, Action.VERIFIED):
                        known.setdefault(each.algorithm, each.digest)
        if reader.c4 != c4:
            raise RecordError("a manifest is not the one that the chain names", path=path)
        found.root = reader.head.root
        found.has_references = found.has_references or bool(reader.references)
