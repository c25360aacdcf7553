"""Key revocation lists in the binary form that ``ssh-keygen -k`` writes.

Source: the file PROTOCOL.krl that comes with OpenSSH, from memory; every field is checked against
lists that ``ssh-keygen`` itself makes and asks (``-Q``). Certificates are no signers here, so what
revokes them is passed over. A section that is not known may revoke a key: it is refused.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from offload.errors import RecordError
from offload.record.public_key import PublicKey
from offload.record.wire import WireError, WireReader

MAGIC = b"SSHKRL\n\0"

_VERSION = 1
_HEAD_BYTES = 24
"""Version of the list, when it was made, flags; eight bytes each."""

_CERTIFICATES, _KEYS, _SHA1, _SIGNATURE, _SHA256, _EXTENSION = 1, 2, 3, 4, 5, 255
_DIGEST_BYTES = {_SHA1: 20, _SHA256: 32}


@dataclass(frozen=True, slots=True)
class Revoked:
    """Keys that count no more, each itself or by a digest of it.

    Attributes:
        keys: known whole.
        digests: raw SHA-1 or SHA-256 of what the key is on the wire.
    """

    keys: frozenset[PublicKey] = frozenset()
    digests: frozenset[bytes] = frozenset()

    def __contains__(self, key: PublicKey) -> bool:
        return key in self.keys or (
            bool(self.digests)
            and not self.digests.isdisjoint(
                (hashlib.sha1(key.blob).digest(), hashlib.sha256(key.blob).digest())
            )
        )


def read_krl(content: bytes) -> Revoked:
    """Read a whole list.

    Raises:
        RecordError: it is cut, malformed, or has in it what is not known here.
    """
    keys: set[PublicKey] = set()
    digests: set[bytes] = set()
    try:
        for kind, data in _sections(WireReader(content)):
            if kind == _KEYS:
                keys.update(PublicKey(blob) for blob in _strings(data))
            elif kind in _DIGEST_BYTES:
                digests.update(_digests(data, _DIGEST_BYTES[kind]))
            elif kind == _EXTENSION:
                _refuse_critical(data)
            elif kind not in (_CERTIFICATES, _SIGNATURE):
                raise WireError(f"it has a section of kind {kind}, which is not known")
    except WireError as error:
        raise RecordError(
            f"the binary revocation list cannot be read: {error}",
            meaning="A key that may be revoked is not taken for a good one.",
            remedy="make it anew with ssh-keygen -k, or list the public keys, one a line",
        ) from error
    return Revoked(frozenset(keys), frozenset(digests))


def _sections(reader: WireReader) -> Iterator[tuple[int, bytes]]:
    if reader.raw(len(MAGIC)) != MAGIC:
        raise WireError("it does not begin as one does")
    if reader.uint32() != _VERSION:
        raise WireError("it is of a version that is not known")
    reader.raw(_HEAD_BYTES)
    reader.string()  # reserved
    reader.string()  # comment
    while not reader.is_at_end:
        yield reader.raw(1)[0], reader.string()


def _strings(data: bytes) -> Iterator[bytes]:
    reader = WireReader(data)
    while not reader.is_at_end:
        yield reader.string()


def _digests(data: bytes, size: int) -> Iterator[bytes]:
    for digest in _strings(data):
        if len(digest) != size:
            raise WireError("a fingerprint has the wrong length")
        yield digest


def _refuse_critical(data: bytes) -> None:
    reader = WireReader(data)
    reader.string()  # name
    if reader.raw(1) != b"\0":
        raise WireError("it has an extension that must be understood and is not known")
