"""How a quirky file system maps the names it is given to the names it keeps."""

import os
import unicodedata
from collections.abc import Callable

from tests.lab.faultplan import Quirks


class Names:
    """Name rules of one file system.

    Args:
        quirks: which rules.
        entries: lists the names in a folder, given its real path; raises OSError.
    """

    def __init__(self, quirks: Quirks, entries: Callable[[bytes], list[bytes]]) -> None:
        self._quirks = quirks
        self._entries = entries
        self._is_plain = not (quirks.fold_case or quirks.form or quirks.strip_dots)

    def real(self, path: bytes) -> bytes:
        """The path as it is kept: existing names as they stand, a new last one as it would be."""
        if self._is_plain or not path:
            return path
        kept = b""
        for part in path.split(b"/"):
            found = self._found(kept, part)
            kept = kept + b"/" + found if kept else found
        return kept

    def listed(self, name: bytes) -> bytes:
        """The name as a listing shows it."""
        if self._quirks.lower_listing:
            return os.fsencode(os.fsdecode(name).lower())
        return name

    def _found(self, folder: bytes, name: bytes) -> bytes:
        stored = self._stored(name)
        try:
            names = self._entries(folder)
        except OSError:
            return stored
        if stored in names:
            return stored
        key = self._key(stored)
        return next((other for other in names if self._key(other) == key), stored)

    def _stored(self, name: bytes) -> bytes:
        text = os.fsdecode(name)
        if self._quirks.form:
            text = unicodedata.normalize(self._quirks.form, text)
        if self._quirks.strip_dots:
            text = text.rstrip(". ") or text
        return os.fsencode(text)

    def _key(self, name: bytes) -> str:
        text = os.fsdecode(name)
        if self._quirks.form:
            text = unicodedata.normalize(self._quirks.form, text)
        return text.casefold() if self._quirks.fold_case else text
