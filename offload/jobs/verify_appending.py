"""Appending the next generation: what was read now becomes part of the history, and is signed.

Nested histories come first, then those that enclose them (ASC MHL 1.0, 5.3.2). What agrees is
``verified``, what does not is ``failed``, what nobody had recorded is ``original``; a file found
under another name is recorded with the path it had before.
"""

import hashlib
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from offload import __version__
from offload.jobs.recording import SIGNATURE, SIGNERS_NAME
from offload.jobs.verify_by_hand import rewrite_by_hand
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_place import HeldPlace, Listing, roll_of
from offload.jobs.verify_reading import Checked
from offload.jobs.verify_records import Records, in_scope
from offload.jobs.verify_result import Appended, FileState
from offload.record.find import RECORDS_FOLDER
from offload.record.keys import SigningKey
from offload.record.mhl.chain import chain_bytes
from offload.record.mhl.custody import nearest_scope
from offload.record.mhl.generation import Added, Operation, add_generations
from offload.record.mhl.known import compare, next_record
from offload.record.mhl.model import FORMATS, Action, Creator, Hash, HashRecord, Process
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.record.mhl.read_back import read_back
from offload.record.mhl.text import holds_name
from offload.record.mhl.tree import EmptyFolder, Item, NotHashed
from offload.record.signers import signer_line
from offload.record.sshsig import sign_digest
from offload.storage.durable import remove_temporary
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.values.entries import Kind
from offload.values.paths import join, name, parent

_UNHASHED = frozenset(
    {
        FileState.UNREADABLE,
        FileState.CHANGED,
        FileState.NOT_READ,
        FileState.NOT_VERIFIABLE,
        FileState.CACHED,
    }
)
_NOT_READ = _UNHASHED - {FileState.NOT_VERIFIABLE}
_FIRST_ACTIONS = {
    FileState.AS_RECORDED: Action.VERIFIED,
    FileState.SHOWN_OTHERWISE: Action.VERIFIED,
    FileState.DIFFERS: Action.FAILED,
}
"""In a first generation, of files that a list or a stand-alone manifest speaks of."""

_SIGNERS_LIMIT_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Signing:
    """Who appends.

    Attributes:
        key: signs.
        identity: as in a line of ``allowed_signers``.
        host: this machine's name.
        started_at: start of the verification, with zone; in every manifest's name.
        written_at: now, with zone.
        comment: what was done, free text.
        patterns: ignore patterns that are new.
        process: whether the files lie where they lay, or were brought there.
        has_folders: whether folders get hashes: not where only some files were to be read.
        begin: scopes that have no history yet and get their first generation.
    """

    key: SigningKey
    identity: str
    host: str
    started_at: datetime
    written_at: datetime
    comment: str
    patterns: tuple[str, ...] = ()
    process: Process = Process.IN_PLACE
    has_folders: bool = True
    begin: tuple[bytes, ...] = ()


def append_all(
    place: HeldPlace,
    folder: SeenFolder,
    listing: Listing,
    records: Records,
    checked: Checked,
    signing: Signing,
) -> tuple[Appended, ...]:
    """Append to every history below the place, read back what was written, and sign it.

    Raises:
        RecordError: a chain cannot be read, or what was written does not read back.
        OSError: the drive refuses or fails; what was added before stands, and is whole.
    """
    custody = records.claims.custody
    items = _Items(listing, records, checked, signing.begin)
    creator = Creator(
        signing.written_at, signing.host, "offload", __version__, comment=signing.comment
    )
    operation = Operation(
        creator,
        signing.process,
        signing.started_at,
        _top_name(place),
        formats_of(checked) if signing.has_folders else (),
        signing.patterns,
    )
    for scope in custody.histories:
        # What a killed run has left; the rolls are locked.
        remove_temporary(place.root, join(scope, HISTORY_FOLDER))
    for scope in signing.begin:
        if place.root.exists(join(scope, HISTORY_FOLDER)):
            remove_temporary(place.root, join(scope, HISTORY_FOLDER))
    added = add_generations(folder, custody, operation, items.of_scope, begin=signing.begin)
    scopes = {*custody.histories, *signing.begin}
    signed = [each for each in added if _has_place_for_signatures(each.scope, scopes, place.root)]
    for each in signed:
        _sign(place.root, folder, each, signing)
    # After the signing, which is of what was written: where only this reading is wrong, the chain
    # is left with a signature that fits.
    read_back(folder, custody, added)
    for each in signed:
        records_folder = records_folder_of(each.scope)
        originals = items.actions[each.scope][Action.ORIGINAL]
        key, identity = signing.key, signing.identity
        rewrite_by_hand(folder, records_folder, each, checked, originals, key, identity)
    return tuple(_told(each, items.actions[each.scope]) for each in added)


def unnamable(
    listing: Listing, records: Records, checked: Checked, begin: Collection[bytes] = ()
) -> Iterator[bytes]:
    """Paths of files and folders in a history's scope that no manifest can hold, sorted.

    A generation leaves them out, and has no hashes of the folders above them.

    Args:
        listing, records, checked: what was found.
        begin: scopes whose history begins.
    """
    custody = records.claims.custody
    scopes = {*custody.histories, *begin}
    for number, state in enumerate(checked.states):
        path = listing.entries.path(number)
        if holds_name(path) or state in (FileState.RECORD, FileState.LEFT_OUT):
            continue
        kind = listing.entries.kind(number)
        scope = nearest_scope(scopes, parent(path))
        if scope is None or kind not in (Kind.FILE, Kind.FOLDER):
            continue
        if holds_name(in_scope(scope, checked.recorded_as.get(number, path))):
            continue
        if not custody.ignores(path, is_folder=kind is Kind.FOLDER):
            yield path


def formats_of(checked: Checked) -> tuple[str, ...]:
    """Those of the kept algorithms that a manifest can hold."""
    return tuple(each for each in FORMATS if each in checked.digests.names)


def _top_name(place: HeldPlace) -> bytes:
    """How a history at the very top is called: as the volume is, else as its folder."""
    label = place.volume.label.encode("utf-8", "surrogateescape").replace(b"/", b"_")
    if label and place.given == place.volume.mount_point:
        return label
    return roll_of(name(place.given)) or b"volume"


class _Items:
    """What was found of each scope's files, as its next generation records them."""

    def __init__(
        self, listing: Listing, records: Records, checked: Checked, begin: Collection[bytes]
    ) -> None:
        self._listing = listing
        self._custody = records.claims.custody
        self._checked = checked
        self._begin = frozenset(begin)
        self._scopes = {*records.claims.custody.histories, *begin}
        self.actions: dict[bytes, Counter[Action]] = {}
        self.unnamable = frozenset(unnamable(listing, records, checked, begin))

    def of_scope(self, scope: bytes) -> list[Item]:
        """Items by path, nested scopes left out."""
        self.actions[scope] = Counter()
        found = list(self._found(scope))
        # Names shown otherwise stand under their recorded ones, which sort differently.
        return sorted(found, key=lambda item: item.path)

    def _found(self, scope: bytes) -> Iterator[Item]:
        entries = self._listing.entries
        emptied: set[bytes] = set()
        filled: set[bytes] = set()
        for number in self._listing.below(scope):
            path = entries.path(number)
            if nearest_scope(self._scopes, parent(path)) != scope:
                continue
            item = self._item(number, path, scope)
            if item is not None:
                filled.update((item.path, *_above(item.path)))
                yield item
            elif path in self.unnamable:
                continue
            elif entries.kind(number) is Kind.FILE and not self._custody.ignores(parent(path)):
                emptied.add(in_scope(scope, parent(path)))
        for folder in sorted(emptied - filled):
            # Nothing but what is left out lies there: to the record it is an empty folder.
            is_ignored = self._custody.ignores(join(scope, folder), is_folder=True)
            if folder and not is_ignored and holds_name(folder):
                yield EmptyFolder(folder)

    def _item(self, number: int, path: bytes, scope: bytes) -> Item | None:
        kind = self._listing.entries.kind(number)
        if path in self.unnamable:
            # What is below a folder stands for it.
            is_bare = kind is Kind.FILE or not len(self._listing.below(path))
            return NotHashed(in_scope(scope, path)) if is_bare else None
        if scope in self._begin and kind in (Kind.UNREADABLE, Kind.MOUNT):
            # Nobody looked into it, so no hash may speak for the folders above it.
            return NotHashed(in_scope(scope, path))
        if kind is Kind.FOLDER:
            return EmptyFolder(in_scope(scope, path))
        if kind is not Kind.FILE:
            return None
        state = FileState(self._checked.states[number])
        if state in (FileState.RECORD, FileState.LEFT_OUT):
            return None
        if scope in self._begin:
            return self._first_record(number, path, scope, state)
        return self._record(number, path, scope, state)

    def _first_record(self, number: int, path: bytes, scope: bytes, state: FileState) -> Item:
        """Of a file in a history that begins: under the name that it has now, whoever moved it."""
        digests = self._digests(number)
        if state in _NOT_READ or not digests:
            return NotHashed(in_scope(scope, path))
        action = _FIRST_ACTIONS.get(state, Action.ORIGINAL)
        self.actions[scope][action] += 1
        return HashRecord(
            in_scope(scope, path),
            tuple(Hash(each, digests[each], action) for each in sorted(digests)),
            self._listing.entries.size_bytes(number),
            self._listing.entries.mtime_ns(number),
        )

    def _record(self, number: int, path: bytes, scope: bytes, state: FileState) -> Item:
        recorded = self._checked.recorded_as.get(number, path)
        is_renamed = state is FileState.RENAMED and self._is_within(recorded, scope)
        now = path if state is FileState.RENAMED else recorded
        digests = self._digests(number)
        if state in _UNHASHED or not digests:
            return NotHashed(in_scope(scope, now))
        known = self._custody.lookup(recorded if is_renamed else now)
        if known is None and state is FileState.DIFFERS:
            # Only somebody's list speaks of it, and says that it is another file: never original.
            return NotHashed(in_scope(scope, now))
        made = next_record(
            in_scope(scope, now),
            digests,
            compare(known, digests),
            size_bytes=self._listing.entries.size_bytes(number),
            mtime_ns=self._listing.entries.mtime_ns(number),
            previous_path=in_scope(scope, recorded) if is_renamed else None,
        )
        if made is None:
            return NotHashed(in_scope(scope, now))
        action = made.hashes[0].action
        if action is not None:
            self.actions[scope][action] += 1
        return made

    def _is_within(self, path: bytes, scope: bytes) -> bool:
        return nearest_scope(self._custody.histories, parent(path)) == scope

    def _digests(self, number: int) -> Mapping[str, bytes]:
        columns = self._checked.digests
        found = {each: columns.get(each, number) for each in formats_of(self._checked)}
        return {each: digest for each, digest in found.items() if digest is not None}


def _above(path: bytes) -> Iterator[bytes]:
    while path := parent(path):
        yield path


def _has_place_for_signatures(scope: bytes, scopes: Collection[bytes], root: Root) -> bool:
    """Whether a scope has a folder beside it that may take signatures.

    None for a history at the very top, which has no beside. Beside a nested one there is the
    inside of another's scope: nothing is put there that is not there already, since the chain of
    the enclosing history, which is signed, vouches for the nested ones.
    """
    if not scope:
        return False
    is_enclosed = nearest_scope(scopes, parent(scope)) is not None
    return not is_enclosed or root.exists(records_folder_of(scope))


def _sign(root: Root, folder: SeenFolder, added: Added, signing: Signing) -> None:
    """Sign manifest and chain as they were written: a later reading may be wrong."""
    records = records_folder_of(added.scope)
    for made in root.make_folders(records):
        sync_folder(root, parent(made))
    chain = hashlib.sha512(chain_bytes(added.chain.entries)).digest()
    for signed, sha512 in ((added.name, added.c4), (CHAIN_NAME, chain)):
        signature = sign_digest(signing.key, sha512)
        folder.replace(join(records, signed + SIGNATURE), signature)
    _add_signer(root, folder, join(records, SIGNERS_NAME), signing)


def records_folder_of(scope: bytes) -> bytes:
    """``records/ROLL`` beside a roll."""
    return join(join(parent(scope), RECORDS_FOLDER), roll_of(name(scope)))


def _add_signer(root: Root, folder: SeenFolder, path: bytes, signing: Signing) -> None:
    """Put our line beside those of earlier signers, so that stock tools know the key."""
    try:
        before = root.read_small(path, _SIGNERS_LIMIT_BYTES)
    except FileNotFoundError:
        before = b""
    line = signer_line(signing.identity, signing.key.public).encode("utf-8", "surrogateescape")
    if line in before.splitlines():
        return
    if before and not before.endswith(b"\n"):
        before += b"\n"
    folder.replace(path, before + line + b"\n")


def _told(added: Added, actions: Mapping[Action, int]) -> Appended:
    return Appended(
        added.scope,
        added.path,
        added.chain.entries[-1].number,
        actions.get(Action.VERIFIED, 0),
        actions.get(Action.FAILED, 0),
        actions.get(Action.ORIGINAL, 0),
    )
