"""What a card's roll is called: by rule, never by guess.

The roll's name, in this order:

1. the name that a person gave;
2. the names of the clips, where all that have the form agree on one roll number
   (``A001C003_240501_R2AB`` is roll ``A001``); two camera letters with one number on one card are
   one roll with two letters (``AB001``);
3. the volume's label, where it has that form;
4. none. The card is copied and proven as ``unnamed-CODE`` and waits for a person's word.

Clips of two roll numbers on one card give no name: which of them is meant, only a person knows.

Source of the form: common practice (camera letter, three-digit roll, ``C`` and clip number, then
what the camera adds). Other productions give their own expressions.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum

from offload.errors import SettingsError, UsageError
from offload.values import portable
from offload.values.paths import shown

LONGEST_ROLL = 31
"""Characters; a post house's published rule, and short enough for tape and screen."""

UNNAMED = "unnamed-"

# The clip number may follow at once or after a date and time that the camera put between.
CLIP_FORM = r"(?P<camera>[A-Z])(?P<number>[0-9]{3})(?:_[0-9]{6,8})?_?C[0-9]{3,4}(?![0-9])"
LABEL_FORM = r"(?P<camera>[A-Z])(?P<number>[0-9]{3})(?:_.*|R[0-9A-Z]{3})?"

_GIVEN = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]*[A-Za-z0-9_-])?")
_PATTERN_LENGTH = 200

Match = Callable[[str], "re.Match[str] | None"]


class Basis(Enum):
    """Where a roll's name comes from."""

    GIVEN = "given"
    CLIPS = "clips"
    LABEL = "label"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class RollName:
    """The answer, with what it rests on.

    Attributes:
        name: empty when no rule gives one.
        basis: which rule did.
        cameras: the camera letters seen in clip names, in order; empty where none was.
        candidates: the rolls seen in clip names; more than one with an empty name is the question
            that a person has to answer.
    """

    name: str
    basis: Basis
    cameras: str = ""
    candidates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NamingRule:
    """The forms in which clips and labels carry the roll.

    Attributes:
        clip: matched from the start of a clip's file or folder name.
        label: matched with the whole volume label.
    """

    clip: re.Pattern[str]
    label: re.Pattern[str]


def naming_rule(clip: str = CLIP_FORM, label: str = LABEL_FORM) -> NamingRule:
    """A rule from regular expressions with the groups ``camera`` and ``number``.

    Raises:
        SettingsError: no regular expression, a group is missing, or it is too long.
    """
    return NamingRule(_compiled(clip, "clip"), _compiled(label, "label"))


def roll_name(
    clips: Iterable[bytes],
    label: str = "",
    given: str = "",
    rule: NamingRule | None = None,
) -> RollName:
    """The roll's name by the rules above.

    Args:
        clips: paths of the clips' files on the card; no side files.
        label: the volume's label.
        given: a person's word; checked by :func:`checked_roll`.
        rule: another form than the usual one.

    Raises:
        UsageError: the given name cannot be used.
    """
    rule = rule or naming_rule()
    seen = _rolls_of(clips, rule.clip)
    cameras = "".join(sorted({camera for camera, _ in seen}))
    candidates = tuple(sorted(camera + number for camera, number in seen))
    if given:
        return RollName(checked_roll(given), Basis.GIVEN, cameras, candidates)
    if seen:
        name = _agreed(cameras, {number for _, number in seen})
        return RollName(name, Basis.CLIPS if name else Basis.NONE, cameras, candidates)
    found = _matched(rule.label.fullmatch, label.strip())
    name = "".join(found or ())
    if name and not _roll_fault(name):
        return RollName(name, Basis.LABEL)
    return RollName("", Basis.NONE)


def unnamed_roll(card_code: str) -> str:
    """What an unnamed card's copy is called until a person has named it."""
    return f"{UNNAMED}{card_code}"


def checked_roll(name: str) -> str:
    """A roll name given by a person, when it can be a folder on every drive.

    Raises:
        UsageError: it cannot, and why.
    """
    fault = _roll_fault(name)
    if fault:
        raise UsageError(
            f"the roll name '{shown(name)}' {fault}",
            remedy=f"Give a name such as A001: letters, digits, '-', '_' and '.', "
            f"at most {LONGEST_ROLL} characters.",
        )
    return name


def _agreed(cameras: str, numbers: set[str]) -> str:
    """The one roll that all clips tell; empty where they differ or it cannot be a folder."""
    name = cameras + "-".join(sorted(numbers))
    return "" if len(numbers) > 1 or _roll_fault(name) else name


def _roll_fault(name: str) -> str:
    fault = portable.name_fault(name)
    if fault:
        return fault
    if len(name) > LONGEST_ROLL:
        return f"is longer than {LONGEST_ROLL} characters"
    if not _GIVEN.fullmatch(name):
        return "has other characters than letters, digits, '-', '_' and '.'"
    if portable.is_ours(name):
        return "is taken by the program's own folders"
    if name.casefold().startswith(UNNAMED):
        return "means a card that has no name yet"
    return ""


def _rolls_of(clips: Iterable[bytes], form: re.Pattern[str]) -> set[tuple[str, str]]:
    """Camera letter and number of each roll that clip names tell."""
    seen: set[tuple[str, str]] = set()
    known: dict[bytes, bool] = {}
    for path in clips:
        *folders, file = path.split(b"/")
        # The file's own name says most; a folder of frames carries the clip's name instead.
        if _note(file, form, seen):
            continue
        above = b"/".join(folders)
        if above not in known:
            known[above] = any(_note(folder, form, seen) for folder in reversed(folders))
    return seen


def _note(entry: bytes, form: re.Pattern[str], seen: set[tuple[str, str]]) -> bool:
    found = _matched(form.match, entry.decode("utf-8", "replace"))
    if found:
        seen.add(found)
    return bool(found)


def _matched(match: Match, text: str) -> tuple[str, str] | None:
    # Some drivers show short names of a FAT card in lower case; the name means the same.
    found = match(text) or (match(text.upper()) if text == text.lower() else None)
    if found is None:
        return None
    return found["camera"].upper(), found["number"]


def _compiled(expression: str, what: str) -> re.Pattern[str]:
    if len(expression) > _PATTERN_LENGTH:
        raise SettingsError(f"the expression for {what} names is over {_PATTERN_LENGTH} characters")
    try:
        form = re.compile(expression)
    except re.error as error:
        raise SettingsError(
            f"the expression for {what} names is no regular expression: {error}"
        ) from error
    missing = {"camera", "number"} - set(form.groupindex)
    if missing:
        raise SettingsError(
            f"the expression for {what} names lacks the group {' and '.join(sorted(missing))}",
            remedy=f"Write it as in {CLIP_FORM}",
        )
    return form
