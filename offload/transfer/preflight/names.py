"""What a drive's file system can hold as a name, how it counts length, which names are one to it.

A drive travels: what the next computer will make of a name counts as much as what this one's
driver lets through. So the rules are those of the on-disk format and its usual readers, and the
strictest sensible ones where nothing is known.

Sources: owner's pages "File System Functionality Comparison" and "Naming Files, Paths, and
Namespaces"; exFAT specification, table 35 (characters) and section 7.2.5 (up-case table); kernel
documentation of ext4 (case folding), XFS, btrfs; Unicode UAX #15 (normal forms), UAX #44. HFS+,
APFS and the doings of drivers and servers from memory; where memory was in doubt, the stricter.
"""

import re
import unicodedata
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from offload.values.portable import RESERVED_CHARACTERS, is_device_name


class Unit(Enum):
    """In what a file system counts the length of a name."""

    BYTES = "bytes"
    UTF16 = "UTF-16 units"
    UTF16_DECOMPOSED = "UTF-16 units of the decomposed form"


@dataclass(frozen=True, slots=True)
class NameRules:
    """The rules of one kind of file system.

    Attributes:
        title: for people.
        limit: longest name, in ``unit``.
        unit: see there.
        refused: characters that no name may have.
        refused_at_end: characters that no name may end in.
        needs_utf8: other bytes are refused.
        only_ascii: nothing but ASCII comes back as it was given.
        has_devices: some names mean devices to its usual readers.
        has_aliases: long names get a second, short one (``CLIP00~1.MOV``) that must not be taken.
        folds_case: names that differ in letter case alone are one name.
        folds_forms: names that differ in Unicode normal form alone are one name.
        form: the normal form in which names come back, ``NFC`` or ``NFD``; empty when as given.
    """

    title: str
    limit: int = 255
    unit: Unit = Unit.BYTES
    refused: frozenset[str] = frozenset()
    refused_at_end: frozenset[str] = frozenset()
    needs_utf8: bool = False
    only_ascii: bool = False
    has_devices: bool = False
    has_aliases: bool = False
    folds_case: bool = False
    folds_forms: bool = False
    form: Literal["NFC", "NFD", ""] = ""

    @property
    def folds(self) -> bool:
        """Whether two different names can be one."""
        return self.folds_case or self.folds_forms


# Basis name of at most eight characters with a tilde and a number (FAT general overview 1.03).
_ALIAS = re.compile(r"[^~.]{1,6}~[0-9]{1,6}(?:\.[^.]{0,3})?")
_ALIAS_LENGTH = 12


def is_short_alias(name: str) -> bool:
    """Whether a name has the form of the short second name that FAT and NTFS make."""
    return len(name) <= _ALIAS_LENGTH and _ALIAS.fullmatch(name) is not None


def length(name: bytes, rules: NameRules) -> int:
    """How long a name is in the unit of the file system."""
    if rules.unit is Unit.BYTES or name.isascii():
        return len(name)
    text = name.decode("utf-8", "surrogateescape")
    if rules.unit is Unit.UTF16_DECOMPOSED:
        text = unicodedata.normalize("NFD", text)
    return len(text) + sum(char > "\uffff" for char in text)


def refused_positions(text: str, rules: NameRules) -> set[int]:
    """Which characters of a name stand in the way of it; empty when the length alone may.

    Args:
        text: the name, decoded with ``surrogateescape``.
    """
    refused = rules.refused
    found = {at for at, char in enumerate(text) if char in refused}
    if rules.needs_utf8:
        found |= {at for at, char in enumerate(text) if "\ud800" <= char <= "\udfff"}
    if text[-1:] in rules.refused_at_end:
        found.add(len(text) - 1)
    if rules.has_devices and is_device_name(text):
        found.add(0)
    if rules.has_aliases and is_short_alias(text):
        found.add(text.index("~"))
    if rules.only_ascii or (rules.form and unicodedata.normalize(rules.form, text) != text):
        found |= {at for at, char in enumerate(text) if not char.isascii()}
    return found


def can_hold(name: bytes, rules: NameRules) -> bool:
    """Whether a file of this name, alone in its folder, can lie on the drive and keep its name."""
    text = name.decode("utf-8", "surrogateescape")
    return (
        name not in (b"", b".", b"..")
        and b"/" not in name
        and b"\0" not in name
        and length(name, rules) <= rules.limit
        and not refused_positions(text, rules)
    )


def fold(text: str, rules: NameRules) -> str:
    """What two names have in common when they are one name to the file system.

    Rather too much than too little: two names that only some readers take for one have the same
    fold, and then one of them is given a name of its own without need.
    """
    if text.isascii():
        return text.lower() if rules.folds_case else text
    if rules.folds_forms:
        text = _without_ignorables(unicodedata.normalize("NFD", text))
    if rules.folds_case:
        # Up-case tables join what case folding keeps apart (dotless i), and the other way round.
        text = text.casefold().upper().casefold().replace("i\u0307", "i")
    return unicodedata.normalize("NFD", text) if rules.folds_forms else text


def _without_ignorables(text: str) -> str:
    # Zero-width characters and variation selectors are skipped in comparisons by some.
    return "".join(
        char
        for char in text
        if unicodedata.category(char) != "Cf" and not "\ufe00" <= char <= "\ufe0f"
    )


_CONTROLS = frozenset(chr(code) for code in range(0x20))
_COMMON = RESERVED_CHARACTERS | _CONTROLS
_AT_END = frozenset(". ")

FAT = NameRules(
    "FAT",
    unit=Unit.UTF16,
    refused=_COMMON,
    refused_at_end=_AT_END,
    needs_utf8=True,
    has_devices=True,
    has_aliases=True,
    folds_case=True,
)
EXFAT = NameRules(
    "exFAT",
    unit=Unit.UTF16,
    refused=_COMMON,
    refused_at_end=_AT_END,
    needs_utf8=True,
    has_devices=True,
    folds_case=True,
)
NTFS = NameRules(
    "NTFS",
    unit=Unit.UTF16,
    refused=_COMMON,
    refused_at_end=_AT_END,
    needs_utf8=True,
    has_devices=True,
    has_aliases=True,
    folds_case=True,
)
HFS_PLUS = NameRules(
    "HFS+",
    unit=Unit.UTF16_DECOMPOSED,
    needs_utf8=True,
    folds_case=True,
    folds_forms=True,
    form="NFD",
)
APFS = NameRules("APFS", needs_utf8=True, folds_case=True, folds_forms=True)
LINUX = NameRules("a Linux file system")
STRICTEST = NameRules(
    "a file system that is not known",
    refused=_COMMON,
    refused_at_end=_AT_END,
    needs_utf8=True,
    has_devices=True,
    has_aliases=True,
    folds_case=True,
    folds_forms=True,
)
