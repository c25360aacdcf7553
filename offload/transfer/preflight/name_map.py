"""Which names of a card are written otherwise on one drive; the content of ``names.json``.

The file lies in ``records/ROLL/`` and is signed like the rest of the record. It is a JSON object:

``about``
    the rule in two sentences, for whoever opens it.
``version``
    1.
``names``
    a list of objects, sorted by path, each with ``card`` (the path on the card) and ``drive`` (the
    path in the copy), in the text form of paths: printable UTF-8, a backslash doubled, any byte of
    anything else as ``\\xNN``.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Self

from offload.errors import RecordError
from offload.values.entries import Entry
from offload.values.paths import from_text, is_clean, join, name, parent, to_text

VERSION = 1
LARGEST_BYTES = 256 << 20
"""A record larger than this is not read: a million long names take less."""

_ABOUT = (
    "These names could not be written on this drive, or not be listed in the manifest, as they are "
    "on the card. Replace every % and two hexadecimal digits by the byte they mean; "
    "a name with %~ was cut and can only be looked up here."
)


@dataclass(frozen=True, slots=True)
class NameMap:
    """The names of one card that are written otherwise on one drive.

    A renamed folder stands here once; what lies in it follows.

    Attributes:
        names: pairs of a path on the card and the last part's name on the drive, sorted.
    """

    names: tuple[tuple[bytes, bytes], ...] = ()
    _on_drive: dict[bytes, bytes] = field(init=False, repr=False, compare=False)
    _on_card: dict[tuple[bytes, bytes], bytes] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        on_card = {(parent(path), written): name(path) for path, written in self.names}
        object.__setattr__(self, "_on_drive", dict(self.names))
        object.__setattr__(self, "_on_card", on_card)

    def __len__(self) -> int:
        return len(self.names)

    def __iter__(self) -> Iterator[tuple[bytes, bytes]]:
        return iter(self.names)

    def on_drive(self, path: bytes) -> bytes:
        """Where a path of the card lies in the copy."""
        if not self.names:
            return path
        there = here = b""
        for part in path.split(b"/"):
            here = join(here, part)
            there = join(there, self._on_drive.get(here, part))
        return there

    def on_card(self, path: bytes) -> bytes:
        """The card's path for a path in the copy."""
        if not self.names:
            return path
        here = b""
        for part in path.split(b"/"):
            here = join(here, self._on_card.get((here, part), part))
        return here

    def renamed(self, entries: Iterable[Entry]) -> dict[bytes, bytes]:
        """Path on the card -> path in the copy, for all that lies elsewhere in the copy."""
        if not self.names:
            return {}
        pairs = ((entry.path, self.on_drive(entry.path)) for entry in entries)
        return {here: there for here, there in pairs if here != there}

    def to_json(self) -> bytes:
        """The file's content, always the same for the same names."""
        names = [
            {"card": to_text(path), "drive": to_text(self.on_drive(path))} for path, _ in self.names
        ]
        document = {"about": _ABOUT, "names": names, "version": VERSION}
        return (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode("utf-8")

    @classmethod
    def from_json(cls, content: bytes) -> Self:
        """The names in a file that :meth:`to_json` wrote.

        Raises:
            RecordError: it is no such file, or its names contradict each other. Nothing in it is
                trusted: a path that would leave the copy is refused.
        """
        if len(content) > LARGEST_BYTES:
            raise _wrong("is too large to be read")
        try:
            document = json.loads(content)
        except (ValueError, RecursionError) as error:
            raise _wrong(f"is no JSON: {type(error).__name__}") from error
        if not isinstance(document, dict) or document.get("version") != VERSION:
            raise _wrong(f"is not of version {VERSION}")
        listed = document.get("names")
        if not isinstance(listed, list):
            raise _wrong("has no list 'names'")
        paths = dict(_pair(entry) for entry in listed)
        made = cls(tuple(sorted((path, name(there)) for path, there in paths.items())))
        made._refuse_contradictions(paths, len(listed))
        return made

    def _refuse_contradictions(self, paths: dict[bytes, bytes], count: int) -> None:
        if len(paths) != count:
            raise _wrong("lists a path twice")
        for path, there in paths.items():
            if self.on_drive(path) != there or self.on_card(there) != path:
                raise _wrong(f"contradicts itself at {to_text(path)}")


def _pair(entry: object) -> tuple[bytes, bytes]:
    if not isinstance(entry, dict):
        raise _wrong("has an entry that is no object")
    return _path(entry.get("card")), _path(entry.get("drive"))


def _path(text: object) -> bytes:
    try:
        path = from_text(text) if isinstance(text, str) else b""
    except ValueError as error:
        raise _wrong("has a path with a wrong escape") from error
    if not is_clean(path):
        raise _wrong("has an entry without two paths below the copy")
    return path


def _wrong(why: str) -> RecordError:
    return RecordError(
        f"the list of names {why}",
        path=b"names.json",
        meaning="Names on the drive cannot be told back to names on the card by it.",
        remedy="Compare with the other drives: offload verify FOLDER",
    )
