"""Which copy a copy was made from: written beside it when it is made, read when it is spoken of.

The statement names manifests by their C4 IDs, that of the copy among them, so it is told apart from
those of the copy's own forebears, which are carried along with it.
"""

import contextlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from offload import __version__
from offload.checksum import digest_text
from offload.clearance.descent import LIMIT_BYTES, Descent, from_bytes, to_bytes
from offload.clearance.origin import CopyName, ManifestName
from offload.clearance.taken import StatementError
from offload.clearance.words import safe
from offload.errors import RecordError
from offload.jobs.clearing import SUFFIX, free_name, remove_lone_signatures
from offload.jobs.earlier_record import CHAIN_LIMIT_BYTES
from offload.jobs.placing import Place
from offload.jobs.recording import SIGNATURE
from offload.jobs.stating import key_line
from offload.record.keys import SigningKey
from offload.record.mhl.chain import ChainEntry, read_chain
from offload.record.mhl.history import History
from offload.record.mhl.model import RootHash
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.record.mhl.read import ManifestReader
from offload.record.sshsig import (
    NAMESPACE,
    SIGNATURE_LIMIT_BYTES,
    SignatureFormError,
    read_signature,
    sign,
)
from offload.storage.durable import write_new
from offload.values.paths import join, to_text

STEM = b"descent-"

_NAMESPACE = NAMESPACE.encode("ascii")


@dataclass(frozen=True, slots=True)
class DescentSigner:
    """Who signs descents.

    Attributes:
        key: of this station.
        identity: as in a line of ``allowed_signers``.
    """

    key: SigningKey
    identity: str


def source_name(drive: str, path: bytes, history: History | None) -> CopyName | None:
    """A copy that others are made from; nothing where it has no generation to be named by.

    Args:
        drive: its name, raw.
        path: of the copy's folder there.
        history: of the copy.
    """
    if history is None or not history.generations:
        return None
    newest = history.generations[-1]
    manifest = ManifestName(join(HISTORY_FOLDER, newest.name), digest_text("c4", newest.c4))
    return CopyName(safe(drive), to_text(path), manifest, _content(newest.head.root))


def remove_half_descent(place: Place) -> None:
    """Take away the signature whose statement a power cut kept from being written.

    Raises:
        OSError: the drive failed.
    """
    remove_lone_signatures(place, STEM)


def write_descent(place: Place, source: CopyName, signer: DescentSigner, at: datetime) -> None:
    """Say beside a copy what it was made from; its own newest generation is down already.

    Args:
        place: where the copy lies; its roll is locked by this run.
        source: what it was made from.
        signer: see there.
        at: now, with zone.

    Raises:
        OSError: the drive failed.
        RecordError: the copy's record cannot be read back.
    """
    newest = _chain(place)[-1]
    made = CopyName(
        safe(place.name),
        to_text(place.final),
        ManifestName(join(HISTORY_FOLDER, newest.path), digest_text("c4", newest.c4)),
        _content_by(place, newest),
    )
    roll = to_text(place.roll)
    line = safe(key_line(signer.key, signer.identity))
    content = to_bytes(Descent(roll, made, source, at, __version__, line))
    path = free_name(place, STEM)
    # Before the statement: one that is there is signed.
    write_new(place.drive.root, path + SIGNATURE, sign(signer.key, content))
    write_new(place.drive.root, path, content)


def descends_from(place: Place, key: SigningKey) -> CopyName | None:
    """What a copy was made from, by the newest statement about it that this key has signed.

    A statement about a forebear lies beside the copy too; what tells it apart is that a later
    generation has a statement of its own. Nothing, where none counts or the drive does not answer:
    whether a card is safe never rests on it.
    """
    try:
        numbers = {
            (join(HISTORY_FOLDER, entry.path), digest_text("c4", entry.c4)): entry.number
            for entry in _chain(place)
        }
        found = [
            (number, descent.source)
            for descent in _descents(place, key)
            for manifest in [descent.copy.manifest]
            if (number := numbers.get((manifest.path, manifest.c4))) is not None
        ]
    except (OSError, RecordError):
        return None
    return max(found, key=lambda each: each[0])[1] if found else None


def _descents(place: Place, key: SigningKey) -> Iterator[Descent]:
    root = place.drive.root
    for each in sorted(root.names(place.records)):
        if not (each.startswith(STEM) and each.endswith(SUFFIX)):
            continue
        path = join(place.records, each)
        with contextlib.suppress(OSError, RecordError, StatementError, SignatureFormError):
            content = root.read_small(path, LIMIT_BYTES)
            signature = read_signature(root.read_small(path + SIGNATURE, SIGNATURE_LIMIT_BYTES))
            is_ours = signature.key == key.public and signature.namespace == _NAMESPACE
            if is_ours and signature.is_over(content):
                yield from_bytes(content)


def _chain(place: Place) -> tuple[ChainEntry, ...]:
    path = join(join(place.lies_in, HISTORY_FOLDER), CHAIN_NAME)
    content = place.drive.root.read_small(path, CHAIN_LIMIT_BYTES)
    return read_chain(io.BytesIO(content), path).entries


def _content_by(place: Place, newest: ChainEntry) -> tuple[tuple[str, str], ...]:
    path = join(join(place.lies_in, HISTORY_FOLDER), newest.path)
    with place.drive.root.open_stream(path) as stream:
        return _content(ManifestReader(stream, path).head.root)


def _content(root: RootHash | None) -> tuple[tuple[str, str], ...]:
    hashes = {each.algorithm: each.digest for each in root.content} if root else {}
    return tuple((name, digest_text(name, digest)) for name, digest in sorted(hashes.items()))
