"""Names that every file system in use can hold, and what stands in the way of one.

The strictest of the common systems decides: a name that passes here can be a file or folder on
FAT, exFAT, NTFS, HFS+, APFS and the Linux file systems, and can be typed and sent about.

Sources: the owner's pages "Naming Files, Paths, and Namespaces" and "File System Functionality
Comparison" (reserved characters, device names, trailing dot and space; from memory where the page
is silent on a driver's doing), exFAT specification, table 35 (same set of characters).
"""

import unicodedata

RESERVED_CHARACTERS = frozenset('"*/:<>?\\|')
_CONTROLS = frozenset(chr(code) for code in (*range(0x20), 0x7F))
NAME_BYTES = 255

_DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CLOCK$", "CONIN$", "CONOUT$"]
    + [f"{port}{digit}" for port in ("COM", "LPT") for digit in "0123456789\u00b9\u00b2\u00b3"]
)

OUR_FOLDERS = frozenset({"ascmhl", "records"})
"""Folders that a record is kept in: ``ascmhl`` inside a copy, ``records`` beside it."""
OUR_ENDINGS = (".incomplete", ".partial")
"""What the name of a copy ends in while it is not whole."""


def is_device_name(part: str) -> bool:
    """Whether a name means a device on some systems, whatever follows its first dot."""
    return part.split(".", 1)[0].rstrip(" ").upper() in _DEVICES


def name_fault(part: str) -> str:
    """Why ``part`` is no name for every system, as a phrase; empty when it is one."""
    if not part:
        return "is empty"
    wrong = sorted(set(part) & (RESERVED_CHARACTERS | _CONTROLS))
    if wrong:
        listed = " ".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in wrong)
        return f"has characters that some drives cannot hold: {listed}"
    if part[0] in ".- ":
        return "begins with a dot, a dash or a blank"
    if part[-1] in ". ":
        return "ends in a dot or a blank"
    if is_device_name(part):
        return "is the name of a device on some systems"
    if len(part.encode("utf-8", "surrogatepass")) > NAME_BYTES:
        return f"is longer than {NAME_BYTES} bytes"
    return ""


def is_ours(part: str) -> bool:
    """Whether a name is taken by what this program puts on a drive, in any letter case."""
    folded = part.casefold()
    return folded in OUR_FOLDERS or folded.endswith(OUR_ENDINGS)


def portable_part(text: str, limit_bytes: int = 100) -> str:
    """The nearest name that every system can hold; empty where nothing is left of ``text``.

    Composed form (NFC); what cannot be held becomes ``-``; not reversible, meant for the names of
    productions and days, never for files.
    """
    composed = unicodedata.normalize("NFC", text)
    held = "".join("-" if _is_unfit(char) else char for char in composed)
    cut = held.encode("utf-8")[:limit_bytes].decode("utf-8", "ignore")
    part = cut.lstrip(".- ").rstrip(". ")
    if is_device_name(part):
        return f"_{part}"
    return f"{part}-" if is_ours(part) else part


def _is_unfit(char: str) -> bool:
    # Controls, bidirectional marks, surrogates and unassigned characters hide or cannot be written.
    return char in RESERVED_CHARACTERS or unicodedata.category(char)[0] in "C"
