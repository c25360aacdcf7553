"""The full list of what is on a card at one moment, its digest, and the card code."""

import hashlib
from dataclasses import dataclass, field

from offload.values.entries import Entries, Entry

# No 0 O, 1 I L, 8 B, 5 S, U V: the code is written by hand on tape and read out on a radio.
_CODE_ALPHABET = "234679ACDEFGHJKMNPQRTWXYZ"
_CODE_LENGTH = 6


@dataclass(frozen=True, slots=True)
class Inventory:
    """What one walk of a card found.

    Attributes:
        entries: all that is not left out, sorted by path bytes.
        left_out: what the computer put on the card (design, decision 8); every file of it, so that
            it can be named and measured.
        digest: see :func:`inventory_digest`.
    """

    entries: Entries
    left_out: Entries = field(default_factory=Entries)
    digest: str = ""

    def __post_init__(self) -> None:
        if not self.digest:
            object.__setattr__(self, "digest", inventory_digest(self.entries))

    @property
    def file_count(self) -> int:
        """Number of regular files."""
        return self.entries.file_count

    @property
    def total_bytes(self) -> int:
        """Sum of the sizes of the regular files."""
        return self.entries.total_bytes


def inventory_digest(entries: Entries) -> str:
    """SHA-256, as 64 hex digits, over the sorted (path bytes, kind, size) of what is not left out.

    Times take no part: they move with the driver and with summer time (design, decision 9).
    """
    state = hashlib.sha256()
    for entry in entries:
        state.update(_digest_line(entry))
    return state.hexdigest()


def card_code(content_root: bytes) -> str:
    """The card code, such as ``K7-4M2P``, from the raw xxh128 content root hash (16 bytes).

    Always from xxh128, whatever checksums the settings name, so that one card has one code.
    """
    number = int.from_bytes(hashlib.sha256(content_root).digest(), "big")
    letters = ""
    for _ in range(_CODE_LENGTH):
        number, digit = divmod(number, len(_CODE_ALPHABET))
        letters += _CODE_ALPHABET[digit]
    return f"{letters[:2]}-{letters[2:]}"


def _digest_line(entry: Entry) -> bytes:
    # The path is last and its length first, so that no name can imitate another line.
    head = f"{len(entry.path)} {entry.kind.value} {entry.size_bytes} ".encode("ascii")
    return head + entry.path + b"\n"
