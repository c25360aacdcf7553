"""One rule by which a card layout is known, and reading rules from plain data."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from offload.card.patterns import is_for_folders, pattern_fault
from offload.errors import SettingsError
from offload.values.paths import shown

MOST_RULES = 64
MOST_PATTERNS = 64
_LONGEST_TEXT = 400


class Medium(Enum):
    """Who writes such a card."""

    CAMERA = "camera"
    SOUND = "sound"
    """Cumulative: today's files make today's roll."""


@dataclass(frozen=True, slots=True)
class LayoutRule:
    """How one layout is known.

    Attributes:
        name: kebab-case, unique.
        title: for people.
        medium: who writes it.
        signs: groups of patterns; one whole group has to be found.
        clips: patterns of the clips' files.
        only: suffixes in lower case without dot; where given, every file has one of them.
        ignore_case: whether letter case says nothing.
        source: the standard, or "common practice".
    """

    name: str
    title: str
    medium: Medium
    signs: tuple[tuple[str, ...], ...]
    clips: tuple[str, ...]
    only: frozenset[str] = frozenset()
    ignore_case: bool = True
    source: str = ""


_KEYS = ("name", "title", "medium", "signs", "clips", "only", "ignore_case", "source")
_NEEDED = ("name", "signs", "clips")


def rules_from(tables: Sequence[Mapping[str, object]]) -> tuple[LayoutRule, ...]:
    """Rules from plain tables, as they stand in ``layouts.toml`` or in the settings.

    Raises:
        SettingsError: unknown or missing key, wrong type, no pattern, a name given twice, too many.
    """
    if len(tables) > MOST_RULES:
        raise SettingsError(f"there are {len(tables)} card layouts; at most {MOST_RULES} are taken")
    rules = tuple(_Table(table, f"card layout {at}").rule() for at, table in enumerate(tables, 1))
    names = [rule.name for rule in rules]
    twice = sorted({each for each in names if names.count(each) > 1})
    if twice:
        raise SettingsError(f"the card layout '{shown(twice[0])}' is given twice")
    return rules


class _Table:
    """Takes one table apart, and knows how to name it in an error."""

    def __init__(self, table: Mapping[str, object], what: str) -> None:
        if not isinstance(table, Mapping):
            raise SettingsError(f"{what} is no table of keys and values")
        given = table.get("name")
        self._what = f"{what} ('{shown(given)}')" if isinstance(given, str) else what
        self._table = table
        for key in table:
            if key not in _KEYS:
                raise self._wrong(f"has an unknown key '{shown(str(key))}'")
        for key in _NEEDED:
            if not table.get(key):
                raise self._wrong(f"lacks '{key}'")

    def rule(self) -> LayoutRule:
        title = self._text("title") or self._text("name")
        return LayoutRule(
            name=self._name(),
            title=title,
            medium=self._medium(),
            signs=tuple(self._patterns(group, "signs") for group in self._list("signs")),
            clips=self._clips(),
            only=frozenset(each.casefold().lstrip(".") for each in self._texts("only")),
            ignore_case=self._flag("ignore_case", usual=True),
            source=self._text("source"),
        )

    def _name(self) -> str:
        name = self._text("name")
        if not name.replace("-", "").isalnum() or not name.isascii():
            raise self._wrong("has a name with other characters than letters, digits and '-'")
        return name

    def _medium(self) -> Medium:
        value = self._text("medium") or Medium.CAMERA.value
        try:
            return Medium(value)
        except ValueError as error:
            allowed = " or ".join(f"'{each.value}'" for each in Medium)
            raise self._wrong(f"has the medium '{shown(value)}'", f"Write {allowed}.") from error

    def _clips(self) -> tuple[str, ...]:
        clips = self._patterns(self._table["clips"], "clips")
        for pattern in clips:
            if is_for_folders(pattern):
                raise self._wrong(f"has '{shown(pattern)}' among 'clips', which is for folders")
        return clips

    def _patterns(self, given: object, key: str) -> tuple[str, ...]:
        patterns = self._strings(given, key)
        if not patterns:
            raise self._wrong(f"has an empty list in '{key}'")
        for pattern in patterns:
            fault = pattern_fault(pattern)
            if fault:
                raise self._wrong(
                    f"has the pattern '{shown(pattern)}' in '{key}', which {fault}",
                    "Patterns: * any, ? one, # a digit, [A-Z] one of these, {a,b} either, "
                    "** folders between.",
                )
        return patterns

    def _text(self, key: str) -> str:
        value = self._table.get(key, "")
        if not isinstance(value, str) or len(value) > _LONGEST_TEXT:
            raise self._wrong(f"needs a text of at most {_LONGEST_TEXT} characters in '{key}'")
        return value

    def _flag(self, key: str, *, usual: bool) -> bool:
        value = self._table.get(key, usual)
        if not isinstance(value, bool):
            raise self._wrong(f"needs true or false in '{key}'")
        return value

    def _list(self, key: str) -> list[object]:
        value = self._table.get(key, [])
        if not isinstance(value, list) or len(value) > MOST_PATTERNS:
            raise self._wrong(f"needs a list of at most {MOST_PATTERNS} entries in '{key}'")
        return value

    def _texts(self, key: str) -> tuple[str, ...]:
        return self._strings(self._list(key), key)

    def _strings(self, given: object, key: str) -> tuple[str, ...]:
        if not isinstance(given, list) or len(given) > MOST_PATTERNS:
            raise self._wrong(f"needs lists of at most {MOST_PATTERNS} texts in '{key}'")
        texts = tuple(each for each in given if isinstance(each, str))
        if len(texts) != len(given):
            raise self._wrong(f"has something else than text in '{key}'")
        return texts

    def _wrong(self, why: str, remedy: str = "") -> SettingsError:
        allowed = f"Keys are {', '.join(_KEYS)}."
        return SettingsError(f"{self._what} {why}", remedy=remedy or allowed)
