"""Whose keys are known, as ``ssh-keygen`` keeps them: ``allowed_signers`` and revoked keys.

Source: the manual page of ``ssh-keygen``, ALLOWED SIGNERS. A line that cannot be read is skipped
and told about; it never hides the ones after it.
"""

import fnmatch
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from offload.errors import RecordError
from offload.record.krl import MAGIC, Revoked, read_krl
from offload.record.public_key import PublicKey, UnsupportedKeyError, read_public_line
from offload.record.sshsig import NAMESPACE
from offload.values.paths import shown

_FILE_LIMIT_BYTES = 4 << 20
_WORD = re.compile(r"[ \t]*((?:\"[^\"]*\"|[^ \t\"])+)[ \t]*")
_OPTION = re.compile(r'([a-z-]+)(?:="([^"]*)")?(?:,|$)', re.IGNORECASE)
_TIME = re.compile(r"(\d{4})(\d{2})(\d{2})(?:(\d{2})(\d{2})(\d{2})?)?(Z?)")
_NAME = re.compile(r"[^\x00-\x1f\x7f\",*?!]+")


@dataclass(frozen=True, slots=True)
class SignerEntry:
    """One line of an ``allowed_signers`` file.

    Attributes:
        principals: comma list of patterns: who may sign with this key.
        key: theirs.
        namespaces: comma list of patterns for what it may sign; empty for anything.
        valid_after, valid_before: when its signatures count; None without a limit.
        is_authority: the key certifies other keys and signs nothing itself.
        comment: free text.
        line: in the file, from 1.
    """

    principals: str
    key: PublicKey
    namespaces: str = ""
    valid_after: datetime | None = None
    valid_before: datetime | None = None
    is_authority: bool = False
    comment: str = ""
    line: int = 0

    def is_for(self, namespace: str) -> bool:
        """Whether the key may sign for this purpose."""
        return not self.is_authority and (
            not self.namespaces or matches_list(namespace, self.namespaces)
        )

    def is_in_time(self, at: datetime) -> bool:
        """Whether the key counts at this moment."""
        if self.valid_after is not None and at < self.valid_after:
            return False
        return self.valid_before is None or at <= self.valid_before


@dataclass(frozen=True, slots=True)
class UnreadLine:
    """A line that says nothing to us: where, and why."""

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class Signers:
    """Everybody whose signatures are known here.

    Attributes:
        entries: in the order of the file.
        revoked: keys that count no more, whatever else is said of them.
        revoked_digests: the same, known by SHA-1 or SHA-256 alone.
        unread: lines that were skipped.
    """

    entries: tuple[SignerEntry, ...] = ()
    revoked: frozenset[PublicKey] = frozenset()
    unread: tuple[UnreadLine, ...] = field(default=(), compare=False)
    revoked_digests: frozenset[bytes] = frozenset()

    def is_revoked(self, key: PublicKey) -> bool:
        """Whether this key counts no more."""
        return key in Revoked(self.revoked, self.revoked_digests)

    def entries_of(self, key: PublicKey) -> tuple[SignerEntry, ...]:
        """All lines that name this key."""
        return tuple(entry for entry in self.entries if entry.key == key)

    def allows(self, identity: str, key: PublicKey, namespace: str, at: datetime) -> bool:
        """What ``ssh-keygen -Y verify -I IDENTITY -n NAMESPACE`` asks of the file."""
        return not self.is_revoked(key) and any(
            matches_list(identity, entry.principals)
            and entry.is_for(namespace)
            and entry.is_in_time(at)
            for entry in self.entries_of(key)
        )


def read_signers(content: bytes, revoked: bytes = b"") -> Signers:
    """Read an ``allowed_signers`` file and, beside it, a list of revoked public keys.

    Raises:
        RecordError: a file is far too long, or a revocation list that cannot be read: a key that
            may be revoked must never pass for a good one.
    """
    entries: list[SignerEntry] = []
    unread: list[UnreadLine] = []
    for number, line in _lines(content):
        try:
            entries.append(_entry(line, number))
        except RecordError as error:
            unread.append(UnreadLine(number, error.what))
    found = read_revoked(revoked)
    return Signers(tuple(entries), found.keys, tuple(unread), found.digests)


def read_revoked(content: bytes) -> Revoked:
    """The keys in a list of revoked public keys, one a line or as ``ssh-keygen -k`` writes it.

    Raises:
        RecordError: any part of it cannot be read.
    """
    if content.startswith(MAGIC):
        return read_krl(content)
    keys: set[PublicKey] = set()
    for number, line in _lines(content):
        try:
            keys.add(read_public_line(line)[0])
        except RecordError as error:
            raise RecordError(f"a revoked key cannot be read: {error.what}", line=number) from error
    return Revoked(frozenset(keys))


def signer_line(name: str, key: PublicKey) -> str:
    """The line that makes ``key`` known under ``name``, for our records and nothing else.

    Raises:
        RecordError: the name cannot stand in such a file.
    """
    if not _NAME.fullmatch(name) or name.startswith("#") or name != name.strip():
        raise RecordError(
            f"{shown(name)!r} cannot be a signer's name",
            remedy='use a name without quotes, commas and the signs * ? ! at its start "#"',
        )
    quoted = f'"{name}"' if " " in name else name
    return f'{quoted} namespaces="{NAMESPACE}" {key.line()}'


def matches_list(text: str, patterns: str) -> bool:
    """Whether a comma list of patterns (``*``, ``?``, ``!`` in front denies) takes in ``text``.

    A denial wins wherever it stands (ssh_config(5), PATTERNS).
    """
    found = False
    for pattern in patterns.split(","):
        denies = pattern.startswith("!")
        # Of fnmatch's signs the bracket is none of theirs.
        glob = pattern.removeprefix("!").replace("[", "[[]")
        if fnmatch.fnmatchcase(text, glob):
            if denies:
                return False
            found = True
    return found


def _lines(content: bytes) -> Iterator[tuple[int, str]]:
    if len(content) > _FILE_LIMIT_BYTES:
        raise RecordError("this is far too long to be a list of keys")
    text = content.decode("utf-8", "surrogateescape")
    for number, line in enumerate(text.split("\n"), 1):
        stripped = line.strip(" \t\r")
        if stripped and not stripped.startswith("#"):
            yield number, stripped


def _entry(line: str, number: int) -> SignerEntry:
    principals, rest = _word(line)
    try:
        key, comment = read_public_line(rest)
    except UnsupportedKeyError:
        raise
    except RecordError as error:
        options, rest = _word(rest)
        if not rest:
            raise RecordError("no key in this line") from error
        key, comment = read_public_line(rest)
        return _with_options(SignerEntry(principals, key, comment=comment, line=number), options)
    return SignerEntry(principals, key, comment=comment, line=number)


def _word(text: str) -> tuple[str, str]:
    """The first word, quotes round the whole of it taken off, and what follows."""
    found = _WORD.match(text)
    if found is None:
        raise RecordError("not a line of signer, options and key")
    word = found.group(1)
    if len(word) > 1 and word[0] == word[-1] == '"' and '"' not in word[1:-1]:
        word = word[1:-1]
    return word, text[found.end() :]


def _with_options(entry: SignerEntry, options: str) -> SignerEntry:
    given: dict[str, str | None] = {}
    end = 0
    while end < len(options):
        found = _OPTION.match(options, end)
        if found is None:
            raise RecordError(f"options that cannot be read: {shown(options)}")
        name = found.group(1).lower()
        if name in given:
            raise RecordError(f"the option {name} is given twice")
        given[name] = found.group(2)
        end = found.end()
    authority = "cert-authority" in given and given.pop("cert-authority") is None
    namespaces = given.pop("namespaces", "")
    after = _time(given.pop("valid-after", ""))
    before = _time(given.pop("valid-before", ""))
    if given or namespaces is None:
        raise RecordError(
            f"an option that is not known, or its value is not quoted: {shown(options)}"
        )
    return SignerEntry(
        entry.principals,
        entry.key,
        namespaces,
        after,
        before,
        authority,
        entry.comment,
        entry.line,
    )


def _time(text: str | None) -> datetime | None:
    if text == "":
        return None
    found = _TIME.fullmatch(text or "")
    if found is None:
        raise RecordError(f"not a time: {shown(text or '')}")
    try:
        year, month, day, hour, minute, second = (int(part or 0) for part in found.groups()[:6])
        moment = datetime(year, month, day, hour, minute, second)
    except ValueError as error:
        raise RecordError(f"not a time: {shown(text or '')}") from error
    # Without Z the manual means the zone of the machine that reads the file.
    return moment.replace(tzinfo=UTC) if found.group(7) else moment.astimezone()
