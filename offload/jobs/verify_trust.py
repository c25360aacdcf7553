"""Whose signatures this station believes: two files in its home, as ``ssh-keygen`` keeps them.

``allowed_signers`` names keys and their owners, ``revoked_keys`` the keys that count no more; both
can be used and edited with stock tools. What a drive says of its own signers is never taken over
without a person.
"""

import os
from dataclasses import replace

from offload.errors import RecordError, UsageError, reason
from offload.record.keys import STATION_KEY
from offload.record.krl import MAGIC
from offload.record.public_key import KINDS, PublicKey, read_public_line
from offload.record.signers import SignerEntry, Signers, read_revoked, read_signers, signer_line
from offload.record.sshsig import NAMESPACE
from offload.storage.durable import write_new
from offload.storage.root import Root
from offload.values.paths import join, parent, shown
from offload.values.paths import name as name_of

SIGNERS_NAME = b"allowed_signers"
REVOKED_NAME = b"revoked_keys"

_LIMIT_BYTES = 4 << 20


def read_trusted(home: bytes) -> Signers:
    """Everybody who is known here, by the two files alone; nobody where there are none.

    Args:
        home: the station's folder, absolute.

    Raises:
        RecordError: a file cannot be read. A key that may be revoked must never pass for good.
    """
    return read_signers(_content(home, SIGNERS_NAME), _content(home, REVOKED_NAME))


def with_own_key(signers: Signers, own: PublicKey | None, identity: str) -> Signers:
    """The same, and this station itself."""
    if own is None or signers.entries_of(own):
        return signers
    entry = SignerEntry(identity, own, NAMESPACE)
    return replace(signers, entries=(entry, *signers.entries))


def own_public_key(home: bytes, key_file: bytes = b"") -> PublicKey | None:
    """The public key that this station signs with; nothing before its first use. None is made.

    Args:
        home: the station's folder.
        key_file: the private key that the settings name instead of the station's own; its public
            half lies beside it, as ``ssh-keygen`` puts it.
    """
    path = key_file or join(home, STATION_KEY)
    try:
        content = _content(parent(path) or b"/", name_of(path) + b".pub")
        return read_public_line(content.decode("ascii", "replace"))[0]
    except RecordError:
        return None


def key_in(text: str) -> PublicKey:
    """The one key in a public key line, or in the content of a ``.pub`` or allowed_signers file.

    Raises:
        UsageError: there is none, more than one, or one whose line narrows when it counts.
    """
    found: dict[PublicKey, str] = {}
    for line in text.splitlines():
        words = line.split()
        at = next((at for at, word in enumerate(words) if word in KINDS), None)
        if line.lstrip().startswith("#") or at is None or at + 1 >= len(words):
            continue
        try:
            key = read_public_line(" ".join(words[at : at + 2]))[0]
        except RecordError as error:
            raise UsageError(f"the key cannot be used: {error.what}", remedy=_ONE_LINE) from error
        found[key] = " ".join(words[:at])
    if len(found) != 1:
        count = f"there are {len(found)} keys in it" if found else "there is no public key in it"
        fingerprints = "\n".join(key.fingerprint for key in found)
        raise UsageError(count, meaning=fingerprints, remedy=_ONE_LINE)
    ((key, before),) = found.items()
    if any(option in before.lower() for option in ("valid-", "cert-authority")):
        raise UsageError(
            "this line says that the key counts for a time only, or for other keys",
            meaning="Trusting the key alone would take that away.",
            remedy="put the whole line into allowed_signers in the station's folder by hand",
        )
    return key


def trust_key(home: bytes, key: PublicKey, name: str) -> bool:
    """Believe what this key signs, under a name.

    Returns:
        False where it was known under this name already.

    Raises:
        UsageError: the key is revoked, or known under another name.
        RecordError: the name cannot stand in such a file, or a file cannot be read or written.
    """
    line = signer_line(name, key)
    known = read_trusted(home)
    if known.is_revoked(key):
        raise UsageError(
            f"this key was revoked here: {key.fingerprint}",
            meaning="Nothing was changed.",
            remedy="take it out of revoked_keys in the station's folder if that was a mistake",
        )
    names = [entry.principals for entry in known.entries_of(key)]
    if name in names:
        return False
    if names:
        raise UsageError(
            f"this key is known here already, as {shown(names[0])}",
            meaning="Nothing was changed.",
            remedy="one key is one signer; change the name in allowed_signers by hand",
        )
    _append(home, SIGNERS_NAME, line)
    return True


def revoke_key(home: bytes, key: PublicKey, note: str = "") -> bool:
    """Believe nothing any more that this key signed, whenever it did.

    Args:
        home: the station's folder.
        key: of anybody; it need not be known.
        note: whose it was, as a comment.

    Returns:
        False where it was revoked already.

    Raises:
        UsageError: the list is one in the binary form, which only ``ssh-keygen`` writes.
    """
    content = _content(home, REVOKED_NAME)
    if key in read_revoked(content):
        return False
    if content.startswith(MAGIC):
        raise UsageError(
            "revoked_keys in the station's folder is a binary list",
            meaning="Nothing was changed.",
            remedy="add the key with  ssh-keygen -k -u -f revoked_keys KEY.pub",
        )
    _append(home, REVOKED_NAME, key.line(shown(note)))
    return True


def _content(home: bytes, name: bytes) -> bytes:
    try:
        with Root(home) as root:
            return root.read_small(name, _LIMIT_BYTES)
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise RecordError(
            f"the list of keys cannot be read: {reason(error)}",
            path=join(home, name),
            meaning="Whose signatures count is not known, so none is judged.",
        ) from error


def _append(home: bytes, name: bytes, line: str) -> None:
    content = _content(home, name)
    if content and not content.endswith(b"\n"):
        content += b"\n"
    content += line.encode("utf-8", "surrogateescape") + b"\n"
    try:
        os.makedirs(home, 0o700, exist_ok=True)
        with Root(home) as root:
            write_new(root, name, content, replaces_own=True)
    except OSError as error:
        raise RecordError(
            f"the list of keys cannot be written: {reason(error)}",
            path=join(home, name),
            meaning="Nothing was changed.",
        ) from error


_ONE_LINE = 'give one line such as "ssh-ed25519 AAAA...", or a file with one such line'
