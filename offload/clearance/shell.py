"""Command lines that a shell reads back as exactly the bytes that were meant.

Rules, in this order for each word:

* letters, digits and a few harmless signs stand bare, but for a comma at the end, which would be
  taken for one of the sentence around the command;
* other text that can be read stands in single quotes, which keep everything but the quote itself
  (POSIX.1-2024, Shell Command Language, 2.2.2);
* bytes that cannot be shown (control characters, bidirectional marks, what is not UTF-8) stand in
  ``$'...'`` as three octal digits each (2.2.4 there; understood by the usual interactive shells).
  Octal and not ``\\x``, which some shells let run on into the digits after it.

So no name can end the quotes, start a command of its own or move the cursor.
"""

import re
from collections.abc import Iterable

from offload.values.paths import to_text

_BARE = re.compile(rb"[A-Za-z0-9_./:@%+,-][A-Za-z0-9_./:@%+,=-]*")


def quoted(word: bytes, *, ascii_only: bool = False) -> str:
    """One word as it has to be typed.

    Args:
        word: what the program is to receive; no NUL.
        ascii_only: write other characters as bytes, for a screen that cannot show them.
    """
    if _BARE.fullmatch(word) and not word.endswith(b","):
        return word.decode("ascii")
    if _is_readable(word) and not (ascii_only and not word.isascii()):
        return "'" + word.decode("utf-8").replace("'", "'\\''") + "'"
    return "$'" + "".join(_octal(byte) for byte in word) + "'"


def command_line(words: Iterable[bytes], *, ascii_only: bool = False) -> str:
    """The whole line, words parted by single spaces."""
    return " ".join(quoted(word, ascii_only=ascii_only) for word in words)


def _is_readable(word: bytes) -> bool:
    # The backslash is the one readable character that the text form changes.
    bare = word.replace(b"\\", b"")
    return to_text(bare).encode("utf-8") == bare


def _octal(byte: int) -> str:
    if 0x20 <= byte < 0x7F and byte not in b"'\\":
        return chr(byte)
    return f"\\{byte:03o}"
