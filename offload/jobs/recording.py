"""Writing the record of a proven copy: manifest, chain, checksum lists, names, signatures.

Order on each drive: manifest synced under its name, chain after it, lists and signatures in
``records/ROLL``; everything is read back from the drive before it is signed. Then the roll takes
its name in one exclusive rename, and its folder is synced. The standard keeps its own folder to
itself, so nothing but manifests and chain lies in ``ascmhl``.
"""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from enum import Enum

from offload import __version__
from offload.checksum import digest_text
from offload.clearance.shell import quoted
from offload.jobs.carried_history import carried_history, may_bring_one, put_carried
from offload.jobs.copied import Copied, Occasion, Recorded
from offload.jobs.earlier_record import CHAIN_LIMIT_BYTES, Earlier, read_earlier
from offload.jobs.leftovers import remove_leftovers
from offload.jobs.nested_record import NestedRecord
from offload.jobs.placing import NAMES_NAME, PARTIAL, RECORDS, Place, Standing
from offload.jobs.same_manifest import NotTheSameError, SameManifest, proven_of
from offload.record.by_hand import BY_HAND_NAME, ByHand, by_hand_text
from offload.record.keys import SigningKey
from offload.record.mhl.chain import Chain, chain_bytes
from offload.record.mhl.model import (
    FORMATS,
    Action,
    Creator,
    Hash,
    HashRecord,
    Head,
    Process,
    RootHash,
)
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER, manifest_name
from offload.record.mhl.roots import FileLeaf, FolderLeaf, Leaf, is_same_root, root_of
from offload.record.mhl.tree import EmptyFolder, Item, NotHashed, tree_records, tree_root
from offload.record.mhl.write import write_manifest
from offload.record.signature import judge
from offload.record.signers import SignerEntry, Signers
from offload.record.sshsig import NAMESPACE, SIGNATURE_LIMIT_BYTES, sign_digest
from offload.record.sums import LISTED_AS, write_sums
from offload.storage.durable import growing, sha512_of, write_new
from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.transfer.results import Digests
from offload.values.entries import Entries, Kind
from offload.values.facts import CardState, CopyState
from offload.values.paths import join, name

IGNORED = (".DS_Store", "ascmhl/")
SIGNATURE = b".sig"
SIGNERS_NAME = b"allowed_signers"
LIST_SUFFIXES = {"c4": b"sha512"}
"""The digest behind a C4 ID is SHA-512, and that is what the stock tools call it."""

_PROVEN = frozenset({CopyState.PROVEN_DEVICE, CopyState.PROVEN_SERVER})
_SOUND = frozenset({CardState.READ_EQUAL, CardState.CACHED})
_NOT_TO_BE_HAD = frozenset({CardState.UNREADABLE, CardState.CHANGED})


class Completeness(Enum):
    """How much of the card a drive's copy holds, all of it read back."""

    WHOLE = "whole"
    PARTIAL = "partial"
    """All that could be read from the card."""
    UNPROVEN = "unproven"
    """Something is missing, differs, or was not read back from the device."""


def completeness_of(
    entries: Entries, card_states: Sequence[int], states: Sequence[int]
) -> Completeness:
    """What may be said of a copy, and so what it is called."""
    is_whole, is_any = True, False
    for number in range(len(entries)):
        kind = entries.kind(number)
        if not kind.is_copied:
            # A folder that could not be listed holds what nobody has seen.
            is_whole = is_whole and kind not in (Kind.UNREADABLE, Kind.MOUNT)
        elif card_states[number] in _NOT_TO_BE_HAD:
            is_whole = False
        elif card_states[number] not in _SOUND or states[number] not in _PROVEN:
            return Completeness.UNPROVEN
        else:
            is_any = True
    if not is_any:
        return Completeness.UNPROVEN
    return Completeness.WHOLE if is_whole else Completeness.PARTIAL


def write_record(
    copied: Copied,
    key: SigningKey,
    occasion: Occasion,
) -> Recorded:
    """Write everything down on one drive, beside the copy as it lies now.

    A history that says the same already, signed by this key, is left as it is; any other gets a
    further generation.

    Args:
        copied: see there.
        key: signs.
        occasion: see there.

    Raises:
        OSError: the drive failed.
        RecordError: what was written does not read back, or the history there is broken or says
            that these files are others.
    """
    place = copied.place
    root = place.drive.root
    order = copied.in_order()
    made = _of_several(copied, order, key, occasion) or _of_one(copied, order, key, occasion)
    unlisted = {each: _write_list(copied, each, order, key) for each in copied.digests.names}
    made.unlisted += [path for paths in unlisted.values() for path in paths]
    write_names(place, key)
    signers = f'{occasion.identity} namespaces="{NAMESPACE}" {key.public.line()}\n'
    _replace_own(root, join(place.records, SIGNERS_NAME), signers.encode("utf-8"))
    _write_by_hand(copied, made, unlisted, key, occasion)
    return made


def left_standing(copied: Copied, key: SigningKey, occasion: Occasion) -> Recorded | None:
    """The record of a finished roll that holds more than the card does now, left as it is.

    Returns:
        None where this key has not signed it, or it does not tell every file as it is now.

    Raises:
        OSError: the drive failed.
        RecordError: the history there is broken, or says that these files are others.
    """
    place = copied.place
    earlier = read_earlier(place.drive.root, _history(place))
    if not earlier.chain.entries or not _is_signed(place, earlier.chain_content, key, occasion):
        return None
    for number in copied.in_order():
        if copied.entries.kind(number) is Kind.FOLDER:
            continue
        digests = {each: copied.digests.get(each, number) for each in copied.formats}
        known = {each: digest for each, digest in digests.items() if digest is not None}
        if earlier.action_for(copied.path(number), known) is not Action.VERIFIED:
            return None
    return _recorded(place, earlier.chain, earlier.root)


def write_names(place: Place, key: SigningKey) -> None:
    """Write down how names were changed for a drive, signed, where any was.

    Raises:
        OSError: the drive failed.
    """
    if place.names:
        path = join(place.records, NAMES_NAME)
        content = place.names.to_json()
        _replace_own(place.drive.root, path, content)
        _sign(place.drive.root, path, hashlib.sha512(content).digest(), place.records, key)


def content_roots(entries: Entries, digests: Digests) -> dict[str, bytes]:
    """Root hashes of the card's content by format; only those in which every file was read.

    Names take no part, so copies under other names have the same ones (ASC MHL 1.0, 6.5.2).
    """
    if entries.doubled():
        return {}  # of two files with one name only one was read
    formats = tuple(each for each in digests.names if each in FORMATS)

    def leaves() -> Iterator[Leaf]:
        for number, entry in enumerate(entries):
            if entry.kind is Kind.FOLDER:
                yield FolderLeaf(entry.path)
            elif entry.kind is Kind.FILE:
                found = {each: digests.get(each, number) for each in formats}
                yield FileLeaf(entry.path, {k: v for k, v in found.items() if v is not None})

    return dict(root_of(leaves(), formats).content)


def take_final_name(place: Place, *, is_whole: bool) -> None:
    """Give the roll its name, or ``ROLL.partial`` when something could not be read.

    Raises:
        FileExistsError: the name was taken in the meantime; nothing was changed.
        OSError: the drive failed.
    """
    target = place.final if is_whole else place.final + PARTIAL
    if place.grows_in == target:
        return
    root = place.drive.root
    rename_exclusive(root, place.grows_in, target)
    sync_folder(root, place.base)
    place.standing = Standing.DONE if is_whole else Standing.PARTIAL


def _of_one(copied: Copied, order: Sequence[int], key: SigningKey, occasion: Occasion) -> Recorded:
    """The record of a copy with one history."""
    place = copied.place
    earlier = read_earlier(place.drive.root, _history(place))
    if not earlier.chain.entries and may_bring_one(place):
        earlier = _carried(copied, order) or earlier
    remove_leftovers(place, earlier.chain)
    standing = _standing_record(copied, order, earlier, key, occasion)
    return standing or _write_generation(copied, order, earlier, key, occasion)


def _of_several(
    copied: Copied, order: Sequence[int], key: SigningKey, occasion: Occasion
) -> Recorded | None:
    """The record of a copy in which further histories of the card's go on; none where none does."""
    record = NestedRecord.of(copied, order)
    if record is None:
        return None
    place = copied.place
    remove_leftovers(place, record.chain)
    path = join(_history(place), CHAIN_NAME)
    head_root = record.standing_root()
    if head_root is not None:
        content = place.drive.root.read_small(path, CHAIN_LIMIT_BYTES)
        if _is_signed(place, content, key, occasion):
            return _recorded(place, record.chain, head_root)
    added = record.write(occasion)
    _sign(place.drive.root, added.path, added.c4, place.records, key)
    chain = chain_bytes(added.chain.entries)
    _sign(place.drive.root, path, hashlib.sha512(chain).digest(), place.records, key)
    record.check()
    return _recorded(place, added.chain, added.root)


def _standing_record(
    copied: Copied, order: Sequence[int], earlier: Earlier, key: SigningKey, occasion: Occasion
) -> Recorded | None:
    """The record that is there, if it says the very same and this key has signed it."""
    if not earlier.chain.entries or earlier.root is None:
        return None
    now = tree_root(_items(copied, order, earlier), copied.formats)
    if now is None or not is_same_root(now, earlier.root):
        return None
    if not _is_signed(copied.place, earlier.chain_content, key, occasion):
        return None
    return _recorded(copied.place, earlier.chain, now)


def _is_signed(place: Place, chain: bytes, key: SigningKey, occasion: Occasion) -> bool:
    """Whether this key has signed a chain with these bytes."""
    signature = _small_or_none(place.drive.root, join(place.records, CHAIN_NAME + SIGNATURE))
    signers = Signers((SignerEntry(occasion.identity, key.public),))
    return judge(chain, signature, signers, at=occasion.written_at).is_good


def _recorded(place: Place, chain: Chain, head_root: RootHash | None) -> Recorded:
    newest = chain.entries[-1]
    content = hashlib.sha512(chain_bytes(chain.entries)).digest()
    return Recorded(
        join(place.drive.root.path, place.final),
        newest.path,
        digest_text("c4", newest.c4),
        digest_text("c4", content),
        head_root,
    )


def _write_generation(
    copied: Copied, order: Sequence[int], earlier: Earlier, key: SigningKey, occasion: Occasion
) -> Recorded:
    place = copied.place
    root = place.drive.root
    history = _history(place)
    root.make_folders(history)
    manifest = manifest_name(earlier.chain.next_number, name(place.final), occasion.started_at)
    path = join(history, manifest)
    c4, head_root = _write_same(copied, earlier, occasion, path) or _write_manifest(
        copied, order, earlier, occasion, path
    )
    if not earlier.chain.entries:
        proven = proven_of(copied.states)
        occasion.manifests.append(
            SameManifest(place, manifest, c4, head_root, proven, place.renamed)
        )
    chain = earlier.chain.with_manifest(manifest, c4)
    content = chain_bytes(chain.entries)
    _replace_own(root, join(history, CHAIN_NAME), content)
    chain_c4 = hashlib.sha512(content).digest()
    sync_folder(root, place.lies_in)
    _sign(root, path, c4, place.records, key)
    _sign(root, join(history, CHAIN_NAME), chain_c4, place.records, key)
    return _recorded(place, chain, head_root)


def _carried(copied: Copied, order: Sequence[int]) -> Earlier | None:
    """The history that the card brings, put into the copy's; none where there is none to go on."""
    numbers = {copied.path(at): at for at in order if copied.entries.kind(at) is Kind.FILE}

    def proven(path: bytes) -> dict[str, bytes]:
        number = numbers[path]
        if copied.states[number] not in _PROVEN:
            return {}
        found = {each: copied.digests.get(each, number) for each in copied.formats}
        return {each: digest for each, digest in found.items() if digest is not None}

    carried = carried_history(copied.place, numbers, proven)
    if carried is not None:
        put_carried(copied.place, carried)
    return carried


def _write_manifest(
    copied: Copied, order: Sequence[int], earlier: Earlier, occasion: Occasion, path: bytes
) -> tuple[bytes, RootHash | None]:
    """Write a manifest from what was read; its raw C4 digest and the root hashes in it."""
    head_root = tree_root(_items(copied, order, earlier), copied.formats)
    creator = Creator(
        occasion.written_at, occasion.host, "offload", __version__, comment=occasion.comment
    )
    # Over a history the set of patterns only grows (ASC MHL 1.0, section 5.6.1.2).
    ignore = tuple(dict.fromkeys((*earlier.ignore, *IGNORED)))
    head = Head(creator, Process.TRANSFER, head_root, ignore)
    records = tree_records(_items(copied, order, earlier), copied.formats)
    with growing(copied.place.drive.root, path) as out:
        return write_manifest(out, head, records).c4, head_root


def _write_same(
    copied: Copied, earlier: Earlier, occasion: Occasion, path: bytes
) -> tuple[bytes, RootHash | None] | None:
    """Write the manifest of another drive once more, where the very same is to be said."""
    if earlier.chain.entries:
        return None
    for source in occasion.manifests:
        if not source.says_the_same(copied.place, copied.states):
            continue
        try:
            with growing(copied.place.drive.root, path) as out:
                source.copy(out, occasion.answered)
        except NotTheSameError:
            continue
        return source.c4, source.root
    return None


def _items(copied: Copied, order: Sequence[int], earlier: Earlier) -> Iterator[Item]:
    formats = copied.formats
    for number in order:
        path = copied.path(number)
        if copied.states[number] not in _PROVEN:
            yield NotHashed(path)
        elif copied.entries.kind(number) is Kind.FOLDER:
            yield EmptyFolder(path)
        else:
            yield _record(copied, number, path, formats, earlier)


def _record(
    copied: Copied, number: int, path: bytes, formats: Sequence[str], earlier: Earlier
) -> Item:
    digests = {each: copied.digests.get(each, number) for each in formats}
    known = {each: digest for each, digest in digests.items() if digest is not None}
    if not known:
        return NotHashed(path)
    action = earlier.action_for(path, known)
    hashes = tuple(Hash(each, digest, action) for each, digest in known.items())
    entry = copied.entries[number]
    return HashRecord(path, hashes, entry.size_bytes, entry.mtime_ns)


def _write_list(
    copied: Copied, algorithm: str, order: Sequence[int], key: SigningKey
) -> list[bytes]:
    """A checksum list, to be checked from the folder that holds the roll."""
    place = copied.place
    top = name(place.final)

    def lines() -> Iterator[tuple[bytes, bytes]]:
        for number in order:
            digest = copied.digests.get(algorithm, number)
            if copied.states[number] in _PROVEN and digest is not None:
                yield join(top, copied.path(number)), digest

    suffix = LIST_SUFFIXES.get(algorithm, algorithm.encode("ascii"))
    root = place.drive.root
    path = join(place.records, top + b"." + suffix)
    with growing(root, path, replaces_own=True) as out:
        unlisted = write_sums(out, algorithm, lines())
    _sign(root, path, sha512_of(out), place.records, key)
    return unlisted


def _write_by_hand(
    copied: Copied,
    made: Recorded,
    unlisted: Mapping[str, Sequence[bytes]],
    key: SigningKey,
    occasion: Occasion,
) -> None:
    """Say how all this is checked without this program."""
    place = copied.place
    # Only a list in SHA-512 holds every name.
    algorithm = "c4" if "c4" in unlisted else copied.digests.names[0]
    roll = name(place.final)
    suffix = LIST_SUFFIXES.get(algorithm, algorithm.encode("ascii"))
    about = ByHand(
        roll=roll,
        records=join(RECORDS, roll),
        manifest=made.manifest,
        chain_signer=occasion.identity,
        list_name=roll + b"." + suffix,
        list_algorithm=LISTED_AS.get(algorithm, algorithm),
        list_signer=occasion.identity,
        fingerprint=key.public.fingerprint,
        unlisted=len(unlisted[algorithm]),
    )
    path = join(place.records, BY_HAND_NAME)
    _replace_own(place.drive.root, path, by_hand_text(about, quoted))


def _small_or_none(root: Root, path: bytes) -> bytes | None:
    try:
        return root.read_small(path, SIGNATURE_LIMIT_BYTES)
    except OSError:
        return None


def _sign(root: Root, path: bytes, sha512: bytes, records: bytes, key: SigningKey) -> None:
    """Sign a file as it was written: it has been read back, and a later reading may be wrong."""
    _replace_own(root, join(records, name(path) + SIGNATURE), sign_digest(key, sha512))


def _replace_own(root: Root, path: bytes, content: bytes) -> None:
    write_new(root, path, content, replaces_own=True)


def _history(place: Place) -> bytes:
    return join(place.lies_in, HISTORY_FOLDER)
