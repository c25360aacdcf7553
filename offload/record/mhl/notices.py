"""What is unusual in a manifest and does not matter: counted by kind, the first of each kept."""

from datetime import datetime

from offload.record.mhl.dates import read_date, read_ns
from offload.record.mhl.xmlstream import Node
from offload.values.findings import Finding
from offload.values.paths import shown

_KINDS_LIMIT = 256


class Notices:
    """Gathers notices in bounded memory, however many a manifest asks for."""

    def __init__(self) -> None:
        self._first: dict[tuple[str, str], tuple[int, bytes]] = {}
        self._counts: dict[tuple[str, str], int] = {}

    def add(self, code: str, text: str, line: int, path: bytes = b"") -> None:
        """Note one; ``text`` is a phrase without path, outside text in it already escaped."""
        kind = (code, text)
        if kind not in self._counts and len(self._counts) >= _KINDS_LIMIT:
            return
        self._counts[kind] = self._counts.get(kind, 0) + 1
        self._first.setdefault(kind, (line, path))

    def findings(self) -> tuple[Finding, ...]:
        """One for each kind, with the first line and how often."""
        found = []
        for (code, text), count in self._counts.items():
            line, path = self._first[code, text]
            more = f" and {count - 1} more" if count > 1 else ""
            found.append(Finding(code, f"{text} (line {line}{more})", path))
        return tuple(found)

    def unknown_element(self, node: Node) -> None:
        """An element that the standard does not have, or that is no longer in use."""
        self.add("mhl-unknown-element", f"has an unknown element {shown(node.tag)}", node.line)

    def date(self, text: str | None, line: int) -> datetime | None:
        """A date that only describes: None when it is left out or is none."""
        if text is None:
            return None
        try:
            return read_date(text)
        except (ValueError, OverflowError):
            self.add("mhl-date", "has a date that cannot be read", line)
            return None

    def time_ns(self, text: str | None, line: int) -> int | None:
        """A time of a file, as nanoseconds since 1970."""
        if text is None:
            return None
        try:
            return read_ns(text)
        except (ValueError, OverflowError):
            self.add("mhl-date", "has a date that cannot be read", line)
            return None

    def size(self, text: str | None, line: int) -> int | None:
        """A size in bytes: None when it is left out or is none."""
        if text is None:
            return None
        digits = text.strip()
        if digits.isascii() and digits.isdigit() and len(digits) < 20:
            return int(digits)
        self.add("mhl-size", "has a size that cannot be read", line)
        return None
