"""A receipt: the root hash of the newest generation, to be read out on the telephone.

Source: the recommendation of the ASC MHL guidelines, section 2.5.4, that the receiver sends back
the root hash as a further confirmation. Ours is the content hash in xxh128, in groups of four.
"""

from dataclasses import dataclass
from enum import Enum

from offload.checksum import digest_size
from offload.record.mhl.model import RootHash

FORMAT = "xxh128"

_GROUP = 4
_DIGITS = 2 * digest_size(FORMAT)
_BETWEEN = str.maketrans("", "", " \t\r\n-.:,")


class ReceiptOutcome(Enum):
    """What a comparison gives."""

    EQUAL = "equal"
    DIFFERS = "differs"
    MALFORMED = "malformed"
    """It is not 32 hexadecimal digits."""
    NOTHING_TO_COMPARE = "nothing-to-compare"
    """The manifest has no root hash of this format."""


@dataclass(frozen=True, slots=True)
class ReceiptMatch:
    """The outcome, and the groups that differ, from 1: a single one is often a slip of the ear."""

    outcome: ReceiptOutcome
    groups: tuple[int, ...] = ()


def receipt_text(root: RootHash | None) -> str | None:
    """Such as ``d211 8695 ad45 4a22 7b38 3032 6c08 b3bd``; None without a hash of this format."""
    found = root.content_of(FORMAT) if root else None
    return " ".join(_groups(found.digest.hex())) if found else None


def match_receipt(text: str, root: RootHash | None) -> ReceiptMatch:
    """Compare what was read out with a root hash; blanks, dashes and case do not matter."""
    digits = text.translate(_BETWEEN).lower()
    if len(digits) != _DIGITS or set(digits) - set("0123456789abcdef"):
        return ReceiptMatch(ReceiptOutcome.MALFORMED)
    found = root.content_of(FORMAT) if root else None
    if found is None:
        return ReceiptMatch(ReceiptOutcome.NOTHING_TO_COMPARE)
    pairs = zip(_groups(digits), _groups(found.digest.hex()), strict=True)
    differing = tuple(number for number, (one, other) in enumerate(pairs, 1) if one != other)
    if differing:
        return ReceiptMatch(ReceiptOutcome.DIFFERS, differing)
    return ReceiptMatch(ReceiptOutcome.EQUAL)


def _groups(digits: str) -> list[str]:
    return [digits[at : at + _GROUP] for at in range(0, len(digits), _GROUP)]
