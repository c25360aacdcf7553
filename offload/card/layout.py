"""What kind of card a volume is, and which of its files are clips.

The rules are data: ours in ``layouts.toml``, more of the same shape from the settings. Several may
hold for one card (stills in ``DCIM`` beside AVCHD), and then its clips are those of all of them.
A layout that is known and has not one clip is an answer too: nothing was recorded, or something
that should be there is not.
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from offload.card.patterns import Matcher, is_for_folders
from offload.card.rules import LayoutRule, Medium, rules_from
from offload.values.entries import Entry, Kind
from offload.values.paths import parent

__all__ = ["Layout", "LayoutRule", "Medium", "built_in_rules", "clip_paths", "recognise", "rules"]


@dataclass(frozen=True, slots=True)
class Layout:
    """A recognised card.

    Attributes:
        rules: those that hold, in their order; at least one.
        clip_files: how many of the card's files are clips or parts of clips.
    """

    rules: tuple[LayoutRule, ...]
    clip_files: int

    @property
    def title(self) -> str:
        """For people."""
        return ", ".join(rule.title for rule in self.rules)

    @property
    def medium(self) -> Medium:
        """A camera's card may hold sound too; a recorder's card holds nothing else."""
        if any(rule.medium is Medium.CAMERA for rule in self.rules):
            return Medium.CAMERA
        return Medium.SOUND

    @property
    def is_without_clip(self) -> bool:
        """A known layout in which not one clip lies: never a reason to erase."""
        return self.clip_files == 0

    def is_clip(self, path: bytes) -> bool:
        """Whether the file at ``path`` is a clip or a part of one."""
        return _clips_of(self.rules).matches(_text(path))


@lru_cache(maxsize=1)
def built_in_rules() -> tuple[LayoutRule, ...]:
    """The rules in ``layouts.toml``."""
    text = resources.files(__package__).joinpath("layouts.toml").read_text("utf-8")
    return rules_from(tomllib.loads(text)["layout"])


def rules(additions: Sequence[Mapping[str, object]] = ()) -> tuple[LayoutRule, ...]:
    """Our rules and those of the settings; one of the same name replaces ours.

    Raises:
        SettingsError: see :func:`offload.card.rules.rules_from`.
    """
    added = rules_from(additions)
    replaced = {rule.name for rule in added}
    return (*(rule for rule in built_in_rules() if rule.name not in replaced), *added)


def recognise(entries: Iterable[Entry], known: Sequence[LayoutRule] | None = None) -> Layout | None:
    """The layout of a volume, or None when no rule holds.

    Args:
        entries: all of it (an inventory's entries); looked through three times.
        known: the rules; ours where left out.
    """
    candidates = built_in_rules() if known is None else tuple(known)
    finding = _Finding(candidates)
    finding.look_at_folders(_folders(entries))
    finding.look_at_files(_files(entries))
    holding = tuple(rule for rule in candidates if finding.holds(rule))
    if not holding:
        return None
    matcher = _clips_of(holding)
    return Layout(holding, sum(matcher.matches(path) for path in _files(entries)))


def clip_paths(layout: Layout, entries: Iterable[Entry]) -> Iterator[bytes]:
    """The paths of the clips' files, in the order of ``entries``."""
    for entry in entries:
        if entry.kind is Kind.FILE and layout.is_clip(entry.path):
            yield entry.path


class _Finding:
    """Which signs have been seen; one pass over folders, one over files, whatever the rules."""

    def __init__(self, candidates: Sequence[LayoutRule]) -> None:
        self._rules = candidates
        self._seen: set[tuple[str, bool]] = set()
        self._spoiled: set[str] = set()

    def look_at_folders(self, folders: Iterable[str]) -> None:
        self._look(folders, self._signs(for_folders=True))

    def look_at_files(self, files: Iterable[str]) -> None:
        self._look(self._noting_suffixes(files), self._signs(for_folders=False))

    def holds(self, rule: LayoutRule) -> bool:
        if rule.name in self._spoiled:
            return False
        return any(
            all((pattern, rule.ignore_case) in self._seen for pattern in group)
            for group in rule.signs
        )

    def _signs(self, *, for_folders: bool) -> set[tuple[str, bool]]:
        return {
            (pattern, rule.ignore_case)
            for rule in self._rules
            for group in rule.signs
            for pattern in group
            if is_for_folders(pattern) is for_folders
        }

    def _look(self, paths: Iterable[str], wanted: set[tuple[str, bool]]) -> None:
        matchers = _matchers(wanted)
        for path in paths:
            for sense, matcher in matchers:
                hits = {(pattern, sense) for pattern in matcher.hits(path)}
                if hits:
                    # Most files of a big card are alike: what was seen is not looked for again.
                    self._seen |= hits
                    wanted -= hits
                    matchers = _matchers(wanted)

    def _noting_suffixes(self, files: Iterable[str]) -> Iterator[str]:
        picky = [rule for rule in self._rules if rule.only]
        judged: set[str] = set()
        for path in files:
            suffix = _suffix(path)
            if suffix not in judged and not path.startswith((".", "$")):
                judged.add(suffix)
                self._spoiled.update(rule.name for rule in picky if suffix not in rule.only)
            yield path


@lru_cache(maxsize=16)
def _clips_of(holding: tuple[LayoutRule, ...]) -> Matcher:
    return Matcher((pattern, rule.ignore_case) for rule in holding for pattern in rule.clips)


def _matchers(wanted: set[tuple[str, bool]]) -> list[tuple[bool, Matcher]]:
    senses = {ignore_case for _, ignore_case in wanted}
    return [
        (sense, Matcher(each for each in sorted(wanted) if each[1] is sense)) for sense in senses
    ]


def _files(entries: Iterable[Entry]) -> Iterator[str]:
    return (_text(entry.path) for entry in entries if entry.kind is Kind.FILE)


def _folders(entries: Iterable[Entry]) -> Iterator[str]:
    """Every folder, empty or implied by what lies in it, once."""
    seen: set[bytes] = {b""}
    for entry in entries:
        folder = entry.path if entry.kind is Kind.FOLDER else parent(entry.path)
        while folder not in seen:
            seen.add(folder)
            yield _text(folder)
            folder = parent(folder)


def _suffix(path: str) -> str:
    """In lower case without the dot; empty for ``README`` and ``.hidden``."""
    stem, dot, suffix = path.rpartition("/")[2].rpartition(".")
    return suffix.casefold() if stem and dot else ""


def _text(path: bytes) -> str:
    return path.decode("utf-8", "surrogateescape")
