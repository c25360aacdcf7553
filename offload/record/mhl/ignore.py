"""What takes no part in a history: patterns as in a ``.gitignore`` file.

Source: ASC MHL 1.0 specification, sections 5.6.1.2 and 6.4.7 and appendix C, which refer to the
manual page gitignore(5). What a single pattern matches is the library's business; the rule that
nothing below an ignored folder can be taken back in is git's and stands here, since the library
does not keep it when asked about a file alone (measured with pathspec 1.1).

Two patterns are always active and cannot be taken back: files called ``.DS_Store`` and folders
called ``ascmhl``.
"""

import re
import warnings
from collections.abc import Iterable
from dataclasses import dataclass

from pathspec import GitIgnoreSpec
from pathspec.pattern import RegexPattern

from offload.errors import RecordError
from offload.values.paths import parent, shown

DEFAULTS = (".DS_Store", "ascmhl/")
"""As they are recorded in every manifest."""

_LENGTH_LIMIT_CHARS = 4096
_COUNT_LIMIT = 10_000
# The library matches by backtracking: many wildcards in one pattern could be made to take hours.
_WILDCARDS_LIMIT = 4
_FOLDERS_KEPT = 4096
# The library's expressions treat a line feed as an end; this stands for it, on both sides, since
# no name decodes to it.
_LINE_FEED = "\ud800"


@dataclass(frozen=True, slots=True)
class _Rule:
    """One pattern.

    Attributes:
        matcher: the library's.
        is_anchored: it has a ``/`` before its end and is matched against the whole path.
        is_for_folders: it ends in ``/``.
        is_deep: it ends in ``/**`` and matches everything below by itself.
        ignores: false for one with ``!``.
    """

    matcher: RegexPattern
    is_anchored: bool
    is_for_folders: bool
    is_deep: bool
    ignores: bool

    def matches(self, path: str, is_folder: bool) -> bool:
        """Whether it matches this very entry, not merely a folder above it."""
        if self.is_for_folders and not is_folder:
            return False
        end = "/" if self.is_for_folders else ""
        if not self.is_anchored:
            return self._finds(path.rpartition("/")[2] + end)
        if not self._finds(path + end):
            return False
        above = path.rpartition("/")[0]
        return self.is_deep or not above or not self._finds(above + end)

    def _finds(self, path: str) -> bool:
        return self.matcher.match_file(path) is not None


class Ignore:
    """A set of patterns, each later one deciding over the earlier ones.

    Attributes:
        patterns: as given, the two default ones in front where they were missing.
        unusable: those among them that cannot be read or are too long; they ignore nothing.
    """

    def __init__(self, patterns: Iterable[str] = ()) -> None:
        given = list(dict.fromkeys(patterns))
        self.patterns = (*(one for one in DEFAULTS if one not in given), *given)
        self.unusable: tuple[str, ...] = tuple(given[_COUNT_LIMIT:])
        self._rules: list[_Rule] = []
        for pattern in given[:_COUNT_LIMIT]:
            self._take(pattern)
        self._defaults = [rule for one in DEFAULTS if (rule := _rule(one))]
        self._folders: dict[bytes, bool] = {}

    def ignores(self, path: bytes, *, is_folder: bool = False) -> bool:
        """Whether this entry, or a folder above it, takes no part."""
        above = parent(path)
        if above and self._ignores_folder(above):
            return True
        return self._decides(path, is_folder)

    def with_more(self, patterns: Iterable[str]) -> "Ignore":
        """These and further ones, as the next generation lists them.

        Raises:
            RecordError: one of them would take something back in; over a history the set only
                grows, and undoing takes a new history.
        """
        more = [pattern for pattern in patterns if pattern not in self.patterns]
        for pattern in more:
            if pattern.startswith("!"):
                raise RecordError(
                    f"the ignore pattern {shown(pattern)!r} takes something back in",
                    remedy="in a history patterns can only be added; begin a new one to undo them",
                )
        return Ignore((*self.patterns, *more))

    def for_nested(self, root: bytes) -> tuple[str, ...]:
        """The patterns that a nested history below ``root`` gets from this one.

        A pattern bound to the scope is bound anew to the nested root if it can match anything
        below it, and dropped if not; all others are copied.
        """
        found: list[str] = []
        for pattern in self.patterns:
            found += _descended(pattern, _text(root).split("/"))
        return tuple(dict.fromkeys(found))

    def _take(self, pattern: str) -> None:
        try:
            rule = _rule(pattern)
        except ValueError:
            self.unusable = (*self.unusable, pattern)
        else:
            if rule is not None:
                self._rules.append(rule)

    def _ignores_folder(self, path: bytes) -> bool:
        known = self._folders.get(path)
        if known is None:
            known = self.ignores(path, is_folder=True)
            if len(self._folders) >= _FOLDERS_KEPT:
                self._folders.clear()
            self._folders[path] = known
        return known

    def _decides(self, path: bytes, is_folder: bool) -> bool:
        text = _text(path)
        if any(rule.matches(text, is_folder) for rule in self._defaults):
            return True
        for rule in reversed(self._rules):
            if rule.matches(text, is_folder):
                return rule.ignores
        return False


def _text(path: bytes) -> str:
    return path.decode("utf-8", "surrogateescape").replace("\n", _LINE_FEED)


def _rule(pattern: str) -> _Rule | None:
    """The rule of one line; None for a comment or an empty one.

    Raises:
        ValueError: it cannot be read, or is too long or too intricate to be matched.
    """
    if len(pattern) > _LENGTH_LIMIT_CHARS or _wildcards(pattern) > _WILDCARDS_LIMIT:
        raise ValueError("a pattern that is too intricate")
    with warnings.catch_warnings():
        # A pattern from outside that is odd to Python's expressions is no matter for a screen.
        warnings.simplefilter("ignore", FutureWarning)
        try:
            (matcher,) = GitIgnoreSpec.from_lines([pattern.replace("\n", _LINE_FEED)]).patterns
        except re.error as error:
            raise ValueError("a set or range that cannot be") from error
    if matcher.include is None or not isinstance(matcher, RegexPattern):
        return None
    body = _body(pattern)
    inner = body.removesuffix("/")
    return _Rule(
        matcher,
        "/" in inner,
        body.endswith("/"),
        inner.endswith("/**"),
        bool(matcher.include),
    )


def _body(pattern: str) -> str:
    """The pattern without ``!`` and without the trailing blanks that mean nothing."""
    body = pattern.removeprefix("!")
    stripped = body.rstrip(" ")
    if stripped.endswith("\\") and stripped != body:
        stripped += " "
    return stripped


def _wildcards(pattern: str) -> int:
    return sum(
        here == "*" and before != "*" for before, here in zip(" " + pattern, pattern, strict=False)
    )


def _descended(pattern: str, parts: list[str]) -> list[str]:
    body = _body(pattern)
    end = "/" if body.endswith("/") else ""
    inner = body.removesuffix("/")
    if "/" not in inner:
        return [pattern]
    rests = {tuple(inner.removeprefix("/").split("/"))}
    for part in parts:
        rests = {rest for segments in rests for rest in _after(segments, part)}
    sign = "!" if pattern.startswith("!") else ""
    # Two rests may be left of one pattern with "**"; the shorter one comes first.
    ordered = sorted((rest for rest in rests if rest), key=lambda rest: (len(rest), rest))
    return [f"{sign}/{'/'.join(rest)}{end}" for rest in ordered]


def _after(segments: tuple[str, ...], part: str) -> Iterable[tuple[str, ...]]:
    """What is left of a pattern's segments once ``part`` has been walked into."""
    if not segments:
        return
    if segments[0] == "**":
        yield segments
        yield from _after(segments[1:], part)
        return
    try:
        rule = _rule(segments[0])
    except ValueError:
        return
    if rule is not None and rule.matches(part, True):
        yield segments[1:]
