"""What a signature is worth: one value, from which a caller makes its sentence.

The order of the questions is fixed: is there one, is it sound, is it for our records, did its key
sign this very message, does the key count (revoked, known, for this, now). The namespace is
compared before any arithmetic, so that a signature made for another purpose is never called good
or bad.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from offload.errors import RecordError
from offload.record.public_key import PublicKey, UnsupportedKeyError
from offload.record.signers import SignerEntry, Signers
from offload.record.sshsig import (
    NAMESPACE,
    Message,
    Signature,
    SignatureFormError,
    read_signature,
)


class Standing(Enum):
    """What a signature is worth."""

    GOOD = "good"
    """By a known key, over this message, for our records, in time."""
    ABSENT = "absent"
    MALFORMED = "malformed"
    """Cut, damaged, or not a signature at all."""
    WRONG_NAMESPACE = "wrong-namespace"
    """Made for something else than our records."""
    UNSUPPORTED = "unsupported"
    """By a type of key that cannot be checked here; ``ssh-keygen`` may."""
    BAD = "bad"
    """Not over this message: the message was changed afterwards, or it belongs to another."""
    REVOKED = "revoked"
    """Over this message, by a key that counts no more."""
    UNKNOWN_KEY = "unknown-key"
    """Over this message, by a key that nobody here has vouched for."""
    NOT_ALLOWED = "not-allowed"
    """Over this message, by a known key that may not sign records."""
    OUT_OF_TIME = "out-of-time"
    """Over this message, by a known key before or after its time."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A signature's worth, and whose it is.

    Attributes:
        standing: the answer.
        key: the key it claims; None when there is none to be read.
        signer: whom our list calls its owner (a list of patterns); empty unless listed.
        why: for people: what is wrong with a malformed one.
    """

    standing: Standing
    key: PublicKey | None = None
    signer: str = ""
    why: str = ""

    @property
    def is_good(self) -> bool:
        """Whether it vouches for the message."""
        return self.standing is Standing.GOOD


def judge(
    message: Message,
    signature: bytes | None,
    signers: Signers,
    *,
    at: datetime,
    namespace: str = NAMESPACE,
) -> Judgement:
    """Judge a detached signature.

    Args:
        message: what it lies beside; an open file is read to its end, once, unless the signature
            is out of the question before.
        signature: content of the signature's file, None where there is none.
        signers: whose keys are known and revoked.
        at: the moment for which the keys' times are asked, with zone.
        namespace: what it has to be for.
    """
    if signature is None:
        return Judgement(Standing.ABSENT)
    try:
        read = read_signature(signature)
    except SignatureFormError as error:
        return Judgement(Standing.MALFORMED, why=str(error))
    if read.namespace != namespace.encode("utf-8"):
        return Judgement(Standing.WRONG_NAMESPACE, read.key)
    try:
        is_over = read.is_over(message)
    except UnsupportedKeyError:
        return Judgement(Standing.UNSUPPORTED, read.key)
    except RecordError as error:
        return Judgement(Standing.MALFORMED, read.key, why=error.what)
    if not is_over:
        return Judgement(Standing.BAD, read.key, _names(signers.entries_of(read.key)))
    return _of_key(read, signers, namespace, at)


def _of_key(read: Signature, signers: Signers, namespace: str, at: datetime) -> Judgement:
    entries = signers.entries_of(read.key)
    if signers.is_revoked(read.key):
        return Judgement(Standing.REVOKED, read.key, _names(entries))
    if not entries:
        return Judgement(Standing.UNKNOWN_KEY, read.key)
    fitting = [entry for entry in entries if entry.is_for(namespace)]
    if not fitting:
        return Judgement(Standing.NOT_ALLOWED, read.key, _names(entries))
    timely = [entry for entry in fitting if entry.is_in_time(at)]
    if not timely:
        return Judgement(Standing.OUT_OF_TIME, read.key, _names(tuple(fitting)))
    return Judgement(Standing.GOOD, read.key, timely[0].principals)


def _names(entries: tuple[SignerEntry, ...]) -> str:
    return entries[0].principals if entries else ""
