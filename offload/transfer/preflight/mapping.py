"""Giving names that a drive or the manifest cannot hold another one; only those, by rule.

A name gets another one when

* the drive's file system cannot hold it, or would hand it back changed (:mod:`.names`);
* the manifest cannot list it: it is XML 1.0, so valid UTF-8 without most control characters;
* readers of the manifest would pass it over: the standard ignores every folder ``ascmhl`` and
  everything called ``.DS_Store`` (ASC MHL, 5.6.1.2). A card's own ``ascmhl`` folder is copied like
  anything else, under its other name, and our manifest covers every byte of it; at the top it
  would also meet the copy's own;
* it lies beside another name that is the same to the drive: the first keeps its name;
* it looks like the form that is written instead (:mod:`.percent`).

The same names and rules always give the same result. More files change nothing for those that lie
on the drive already, when they are handed in as ``known``.
"""

import re
import unicodedata
from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass

from offload.transfer.preflight.name_map import NameMap
from offload.transfer.preflight.names import (
    NameRules,
    can_hold,
    fold,
    length,
    refused_positions,
)
from offload.transfer.preflight.percent import coded, cut, own_signs
from offload.values.entries import Entry, Kind
from offload.values.paths import join, name, parent

RECORD_FOLDER = "ascmhl"
_PASSED_OVER = frozenset({RECORD_FOLDER, ".DS_Store"})

# Nearly all names on cards are of this form and need no closer look.
_PLAIN = re.compile(rb"[0-9A-Za-z_-](?:[0-9A-Za-z_. -]{0,120}[0-9A-Za-z_-])?")
_PLAIN_LENGTH = 122


@dataclass(frozen=True, slots=True)
class _Name:
    """One name in one folder."""

    raw: bytes
    is_folder: bool
    is_top: bool

    @property
    def text(self) -> str:
        return self.raw.decode("utf-8", "surrogateescape")


def mapped_names(
    entries: Iterable[Entry],
    rules: NameRules,
    earlier: NameMap | None = None,
    known: Container[bytes] = (),
) -> NameMap:
    """The names of a card that have to be written otherwise on a drive.

    Args:
        entries: the card's; gone through twice. Only what is copied is looked at.
        rules: the drive's.
        earlier: what a copy there already uses; stays as it is.
        known: paths of the card, files and folders, that lie on the drive already, under their
            own name or that of ``earlier``.
    """
    before = dict(earlier or ())
    concerned = {parent(path) for path in before} | _concerned(entries, rules)
    if not concerned:
        return NameMap()
    found: list[tuple[bytes, bytes]] = []
    for folder, names in sorted(_children(entries, concerned).items()):
        given = {raw: before[path] for raw in names if (path := join(folder, raw)) in before}
        settled = {raw for raw in names if raw not in given and join(folder, raw) in known}
        written = _Folder(rules, names).assign(given, settled)
        found += [(join(folder, raw), new) for raw, new in written.items() if new != raw]
    return NameMap(tuple(sorted(found)))


def _concerned(entries: Iterable[Entry], rules: NameRules) -> set[bytes]:
    """The folders in which some name cannot stay, or two may be one to the drive."""
    found: set[bytes] = set()
    seen: set[int] = set()
    for path, is_folder in _each(entries):
        raw, above = name(path), parent(path)
        entry = _Name(raw, is_folder, not above)
        is_fit = _is_plain(entry) or not _positions(entry, rules)
        if not is_fit or length(raw, rules) > rules.limit:
            found.add(above)
        if rules.folds:
            # Numbers in place of the texts: a card can have a million names. Two texts with one
            # number cost a closer look and nothing else.
            key = hash(fold(path.decode("utf-8", "surrogateescape"), rules))
            if key in seen:
                found.add(above)
            seen.add(key)
    return found


def _is_plain(entry: _Name) -> bool:
    raw = entry.raw
    # Device names are short; so are the names that readers of the manifest pass over.
    return 8 < len(raw.split(b".", 1)[0]) <= _PLAIN_LENGTH and _PLAIN.fullmatch(raw) is not None


def _children(entries: Iterable[Entry], folders: set[bytes]) -> dict[bytes, dict[bytes, _Name]]:
    found: dict[bytes, dict[bytes, _Name]] = {}
    for path, is_folder in _each(entries):
        above = parent(path)
        if above in folders:
            raw = name(path)
            found.setdefault(above, {})[raw] = _Name(raw, is_folder, not above)
    return found


def _each(entries: Iterable[Entry]) -> Iterator[tuple[bytes, bool]]:
    """Every path that will lie on the drive, once, and whether it is a folder."""
    folders: set[bytes] = {b""}
    for entry in entries:
        if not entry.kind.is_copied:
            continue
        is_folder = entry.kind is Kind.FOLDER
        if not is_folder:
            yield entry.path, False
        above = entry.path if is_folder else parent(entry.path)
        while above not in folders:
            folders.add(above)
            yield above, True
            above = parent(above)


class _Folder:
    """Gives each name in one folder its name on the drive."""

    def __init__(self, rules: NameRules, names: dict[bytes, _Name]) -> None:
        self._rules = rules
        self._names = names
        self._taken: set[str] = set()
        self._written: dict[bytes, bytes] = {}

    def assign(self, given: dict[bytes, bytes], settled: set[bytes]) -> dict[bytes, bytes]:
        """Name on the card -> name on the drive.

        Args:
            given: names that have another one on the drive already.
            settled: names that lie there already as they are.
        """
        for raw, new in given.items():
            self._take(raw, new)
        for raw in settled:
            self._take(raw, raw)
        rest = sorted(raw for raw in self._names if raw not in self._written)
        # Names that can stay come first, so that none of them gives way to one that cannot.
        for must_change in (False, True):
            for raw in rest:
                new = self._usual(raw)
                if (new != raw) is must_change and self._is_free(new):
                    self._take(raw, new)
        for raw in rest:
            if raw not in self._written:
                self._take(raw, self._other(raw))
        return self._written

    def _usual(self, raw: bytes) -> bytes:
        entry = self._names[raw]
        return _written(entry, self._rules, _positions(entry, self._rules))

    def _other(self, raw: bytes) -> bytes:
        """Another name for one whose usual one is taken: ever more of it is written as escapes."""
        entry = self._names[raw]
        positions = _positions(entry, self._rules) | own_signs(entry.text)
        for more in _growing(entry.text):
            new = _written(entry, self._rules, positions | more)
            if self._is_free(new):
                return new
        written = coded(entry.text, positions | more)
        salt = 0
        while not self._is_free(new):
            salt += 1
            new = cut(raw, written, self._rules.limit, b"%d" % salt)
        return new

    def _take(self, raw: bytes, new: bytes) -> None:
        self._written[raw] = new
        self._taken.add(self._key(new))

    def _is_free(self, new: bytes) -> bool:
        return self._key(new) not in self._taken

    def _key(self, new: bytes) -> str:
        return fold(new.decode("utf-8", "surrogateescape"), self._rules)


def _growing(text: str) -> Iterator[set[int]]:
    """Sets of positions, each with more of what tells names apart: first what is not ASCII."""
    chosen = {at for at, char in enumerate(text) if not char.isascii()}
    if chosen:
        yield set(chosen)
    for at, char in enumerate(text):
        if char.isascii() and char.isalpha():
            chosen.add(at)
            yield set(chosen)
    yield set(range(len(text)))


def _positions(entry: _Name, rules: NameRules) -> set[int]:
    text = entry.text
    found = {at for at, char in enumerate(text) if not _is_in_xml(char)}
    found |= refused_positions(text, rules)
    if _is_passed_over(entry):
        found.add(0)
    found |= own_signs(text)
    if found and rules.form:
        # An accent left behind an escape would join its last digit where forms are changed.
        found |= {at for at, char in enumerate(text) if not char.isascii()}
    return found


def _is_in_xml(char: str) -> bool:
    # XML 1.0, section 2.2, production 2; a surrogate here is a byte that is no UTF-8.
    if char < " ":
        return char in "\t\n\r"
    return not "\ud800" <= char <= "\udfff" and char not in "\ufffe\uffff"


def _is_passed_over(entry: _Name) -> bool:
    if entry.is_folder and entry.text in _PASSED_OVER:
        return True
    # Where the drive tells no case apart, the copy's own folder would be met in any spelling.
    folded = unicodedata.normalize("NFC", entry.text).casefold()
    return entry.is_top and folded == RECORD_FOLDER


def _written(entry: _Name, rules: NameRules, positions: set[int]) -> bytes:
    new = coded(entry.text, positions) if positions else entry.raw
    if length(new, rules) > rules.limit:
        new = cut(entry.raw, coded(entry.text, positions), rules.limit)
    return new


def assert_holdable(names: NameMap, rules: NameRules) -> None:
    """See that every other name can lie on the drive.

    Raises:
        RuntimeError: one cannot; a fault of this program, found before the first byte.
    """
    for path, new in names:
        if not can_hold(new, rules):
            raise RuntimeError(f"the name made for {path!r} cannot lie on {rules.title}: {new!r}")
