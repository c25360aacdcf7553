"""Detached signatures in OpenSSH's SSHSIG form, read and written.

Source: OpenSSH's ``PROTOCOL.sshsig``; lines of 70 characters as ``ssh-keygen`` writes them, so that
both make the same bytes with the same Ed25519 key. What is read here is held to the letter and
stricter than ``ssh-keygen``: nothing before or after the armor, version 1, an empty reserved field.
"""

import base64
import binascii
import hashlib
from dataclasses import dataclass
from typing import BinaryIO

from offload.record.keys import SigningKey
from offload.record.public_key import PublicKey
from offload.record.wire import WireError, WireReader, string

NAMESPACE = "offload-record"
"""What our signatures are for; one made for anything else (a mail, a commit) is not one of ours."""

SIGNATURE_LIMIT_BYTES = 65536

_BEGIN = b"-----BEGIN SSH SIGNATURE-----"
_END = b"-----END SSH SIGNATURE-----"
_MAGIC = b"SSHSIG"
_VERSION = 1
_WIDTH = 70
_HASHES = frozenset({"sha256", "sha512"})
_HASH_WRITTEN = "sha512"
_CHUNK_BYTES = 1 << 20

Message = bytes | BinaryIO
"""What is signed: bytes, or an open file that is read from where it stands to its end."""


class SignatureFormError(ValueError):
    """These bytes are no signature that may be trusted; the reason is for people only."""


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature as it is written; nothing is proven yet.

    Attributes:
        key: whose it claims to be.
        namespace: what it claims to be for, raw.
        hash_name: ``sha512`` or ``sha256``.
        blob: the SSH signature blob.
    """

    key: PublicKey
    namespace: bytes
    hash_name: str
    blob: bytes

    def is_over(self, message: Message) -> bool:
        """Whether its key signed this message.

        Raises:
            UnsupportedKeyError: by a key of a type that cannot be checked.
        """
        digest = message_digest(message, self.hash_name)
        return self.key.has_signed(self.blob, _signed_data(self.namespace, self.hash_name, digest))


def sign(key: SigningKey, message: Message, *, namespace: str = NAMESPACE) -> bytes:
    """The armored signature of a message, as ``ssh-keygen -Y sign`` makes it."""
    return sign_digest(key, message_digest(message, _HASH_WRITTEN), namespace=namespace)


def sign_digest(key: SigningKey, sha512: bytes, *, namespace: str = NAMESPACE) -> bytes:
    """The same of a message whose raw SHA-512 is known: what was written, not what reads back."""
    if not namespace:
        raise ValueError("the namespace of a signature must not be empty")
    name = namespace.encode("utf-8")
    signed = key.sign(_signed_data(name, _HASH_WRITTEN, sha512))
    blob = (
        _MAGIC
        + _VERSION.to_bytes(4, "big")
        + string(key.public.blob)
        + string(name)
        + string(b"")
        + string(_HASH_WRITTEN.encode("ascii"))
        + string(signed)
    )
    return armored(blob)


def armored(blob: bytes) -> bytes:
    """A signature's blob between its first and last line."""
    text = base64.b64encode(blob)
    lines = [text[at : at + _WIDTH] for at in range(0, len(text), _WIDTH)]
    return b"\n".join([_BEGIN, *lines, _END, b""])


def read_signature(content: bytes) -> Signature:
    """Take a signature file apart.

    Raises:
        SignatureFormError: it is malformed in any way.
    """
    reader = WireReader(_blob_of(content))
    try:
        if reader.raw(len(_MAGIC)) != _MAGIC:
            raise SignatureFormError("it does not begin as a signature does")
        if reader.uint32() != _VERSION:
            raise SignatureFormError("it is of a version that is not known")
        key, namespace, reserved = reader.string(), reader.string(), reader.string()
        hash_name = reader.string().decode("ascii", "replace")
        blob = reader.string()
        reader.finish()
    except WireError as error:
        raise SignatureFormError(str(error)) from error
    if not namespace:
        raise SignatureFormError("it does not say what it is for")
    if reserved:
        raise SignatureFormError("its reserved field is not empty")
    if hash_name not in _HASHES:
        raise SignatureFormError("it is made with a checksum that is not allowed")
    return Signature(PublicKey(key), namespace, hash_name, blob)


def message_digest(message: Message, hash_name: str) -> bytes:
    """The raw digest of a message; a file is read in pieces."""
    state = hashlib.new(hash_name)
    if isinstance(message, bytes):
        state.update(message)
    else:
        while piece := message.read(_CHUNK_BYTES):
            state.update(piece)
    return state.digest()


def _signed_data(namespace: bytes, hash_name: str, digest: bytes) -> bytes:
    fields = (namespace, b"", hash_name.encode("ascii"), digest)
    return _MAGIC + b"".join(string(field) for field in fields)


def _blob_of(content: bytes) -> bytes:
    if len(content) > SIGNATURE_LIMIT_BYTES:
        raise SignatureFormError("it is too long to be a signature")
    lines = content.removesuffix(b"\n").split(b"\n")
    if lines[0] != _BEGIN:
        raise SignatureFormError("its first line is not that of a signature")
    if _END not in lines:
        raise SignatureFormError("it is cut: the last line is missing")
    if lines[-1] != _END or lines.count(_END) != 1:
        raise SignatureFormError("something follows after its last line")
    text = b"".join(lines[1:-1])
    try:
        blob = base64.b64decode(text, validate=True)
    except binascii.Error as error:
        raise SignatureFormError("its text is damaged") from error
    if base64.b64encode(blob) != text or b"" in lines[1:-1]:
        raise SignatureFormError("its text is damaged")
    return blob
