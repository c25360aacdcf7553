"""Public keys in the form that OpenSSH writes, and what each may have signed.

Sources: RFC 4253, section 6.6 (RSA), RFC 5656 (ECDSA), RFC 8332 (rsa-sha2-*), RFC 8709 (Ed25519);
the rule that ``ssh-rsa`` never signs is from OpenSSH's ``PROTOCOL.sshsig``.
"""

import base64
import binascii
import hashlib
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

from offload.errors import RecordError
from offload.record.wire import WireError, WireReader
from offload.values.paths import shown

ECDSA_HASHES: dict[str, hashes.HashAlgorithm] = {
    "ecdsa-sha2-nistp256": hashes.SHA256(),
    "ecdsa-sha2-nistp384": hashes.SHA384(),
    "ecdsa-sha2-nistp521": hashes.SHA512(),
}
RSA_HASHES: dict[str, hashes.HashAlgorithm] = {
    "rsa-sha2-256": hashes.SHA256(),
    "rsa-sha2-512": hashes.SHA512(),
}
KINDS = frozenset({"ssh-ed25519", "ssh-rsa", *ECDSA_HASHES})
"""Types of keys that can be used. Certificates, DSA and keys on security tokens cannot."""

_LINE_LIMIT_BYTES = 16384

_Loaded = ed25519.Ed25519PublicKey | rsa.RSAPublicKey | ec.EllipticCurvePublicKey


class UnsupportedKeyError(RecordError):
    """The key is sound, or may be, but of a type that this program does not work with."""

    code = "key-unsupported"


@dataclass(frozen=True, slots=True)
class PublicKey:
    """A public key.

    Attributes:
        blob: the key as SSH puts it on the wire; two keys are one exactly when these are equal.
    """

    blob: bytes

    @property
    def kind(self) -> str:
        """Its type, such as ``ssh-ed25519``; shown escaped, since it may come from outside."""
        try:
            return shown(WireReader(self.blob).string().decode("utf-8", "surrogateescape"))
        except WireError:
            return ""

    @property
    def fingerprint(self) -> str:
        """``SHA256:`` and the unpadded base64 of the blob's SHA-256, as ``ssh-keygen -l`` shows."""
        digest = base64.b64encode(hashlib.sha256(self.blob).digest())
        return "SHA256:" + digest.rstrip(b"=").decode("ascii")

    def line(self, comment: str = "") -> str:
        """The one-line form of a ``.pub`` file, without a line end."""
        text = f"{self.kind} {base64.b64encode(self.blob).decode('ascii')}"
        return f"{text} {comment}" if comment else text

    def has_signed(self, signature: bytes, data: bytes) -> bool:
        """Whether ``signature`` (an SSH signature blob) is this key's over ``data``.

        Raises:
            UnsupportedKeyError: the key's type is not one of :data:`KINDS`.
        """
        key = _loaded(self)
        try:
            reader = WireReader(signature)
            kind = reader.string().decode("ascii", "replace")
            body = reader.string()
            reader.finish()
            _check(key, self.kind, kind, body, data)
        except (WireError, InvalidSignature, ValueError):
            return False
        return True


def read_public_line(line: str) -> tuple[PublicKey, str]:
    """The key and the comment of one line such as ``ssh-ed25519 AAAA... comment``.

    Raises:
        RecordError: not such a line, or its parts contradict each other.
        UnsupportedKeyError: a key of another type.
    """
    if len(line) > _LINE_LIMIT_BYTES:
        raise RecordError("this is too long to be a public key")
    parts = line.strip().split(None, 2)
    if len(parts) < 2:
        raise RecordError("this is not a public key line (type, key, comment)")
    try:
        blob = base64.b64decode(parts[1], validate=True)
        kind = WireReader(blob).string()
    except (binascii.Error, ValueError) as error:
        raise RecordError("the key in this line is cut or damaged") from error
    if kind != parts[0].encode("utf-8", "surrogateescape"):
        raise RecordError("the type at the start of the line is not the type of the key")
    key = PublicKey(blob)
    _loaded(key)
    return key, parts[2] if len(parts) > 2 else ""


def _loaded(key: PublicKey) -> _Loaded:
    if key.kind not in KINDS:
        raise UnsupportedKeyError(
            f"keys of type {key.kind or 'unknown'} cannot be checked",
            remedy="check this signature with ssh-keygen -Y verify",
        )
    try:
        loaded = serialization.load_ssh_public_key(key.line().encode("ascii"))
    except (ValueError, UnsupportedAlgorithm) as error:
        raise RecordError("the public key is cut or damaged") from error
    if isinstance(loaded, (ed25519.Ed25519PublicKey, rsa.RSAPublicKey, ec.EllipticCurvePublicKey)):
        return loaded
    raise UnsupportedKeyError(f"keys of type {key.kind} cannot be checked")


def _check(key: _Loaded, key_kind: str, kind: str, body: bytes, data: bytes) -> None:
    if isinstance(key, rsa.RSAPublicKey):
        algorithm = RSA_HASHES.get(kind)
        if algorithm is None:
            raise InvalidSignature
        # OpenSSH drops leading zeros of the number on some paths and pads when it checks.
        key.verify(body.rjust(key.key_size // 8, b"\0"), data, padding.PKCS1v15(), algorithm)
        return
    if kind != key_kind:
        raise InvalidSignature
    if isinstance(key, ed25519.Ed25519PublicKey):
        key.verify(body, data)
        return
    reader = WireReader(body)
    numbers = (reader.number(), reader.number())
    reader.finish()
    key.verify(encode_dss_signature(*numbers), data, ec.ECDSA(ECDSA_HASHES[kind]))
