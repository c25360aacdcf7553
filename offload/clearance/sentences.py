"""The words a tired person reads about one reason: what is wrong, and what to type."""

from collections.abc import Iterable, Sequence

from offload.clearance.case import Case, Reason
from offload.clearance.context import Context
from offload.clearance.holds import Deed, HoldKind, Remedy, kind_of
from offload.clearance.shell import command_line
from offload.clearance.words import THE_CARD_ITSELF, grouped, listed
from offload.values.facts import DriveFacts
from offload.values.verdict import Hold, Way

DETAILS_SHOWN = 12
"""Further sentences of one hold; a hostile card has a million."""

_MENDED_BY_WRITING = frozenset(
    {
        "copy-changed",
        "copy-differs",
        "copy-failed",
        "copy-fleeting",
        "copy-not-own",
        "copy-unreadable",
        "drive-suspect",
        "too-few-copies",
    }
)
_CARD_WORDS = "the card"


def hold(reason: Reason, case: Case, context: Context) -> Hold:
    """A reason as a hold, in words."""
    kind = kind_of(reason.code)
    fields = _fields(reason, case, context)
    remedies = _remedies(kind, reason, case)
    ways = tuple(_way(remedy, fields, reason, case, context) for remedy in remedies)
    return Hold(
        code=kind.code,
        text=_sentence(kind.sentence, fields, reason.paths),
        remedy=remedy_text(ways),
        is_settleable=kind.is_settleable,
        paths=reason.paths,
        drives=reason.drives,
        details=_bounded((*reason.details, *_since(reason, case, context))),
        ways=ways,
    )


def remedy_text(ways: Iterable[Way]) -> str:
    """The ways as lines of text, each with its command; every one after the first begins "or"."""
    return "\nor ".join(f"{way.words} {command_line(way.command)}".strip() for way in ways)


def _remedies(kind: HoldKind, reason: Reason, case: Case) -> list[Remedy]:
    """The remedies that can help here, the best first."""
    is_said = case.facts.policy.separate_drives is False
    found = [each for each in kind.remedies if not (is_said and each.deed is Deed.SAME_DRIVE)]
    concerned = [drive for drive in case.facts.drives if drive.name in reason.drives]
    if kind.of_finished and any(_is_left_alone(drive, kind) for drive in concerned):
        found = list(kind.of_finished)
        if _good_copy(reason, case) is None:
            found = [each for each in found if each.deed is not Deed.MEND]
    if kind.code == "too-few-copies" and not reason.drives:
        # No drive failed: there are too few of them.
        found.sort(key=lambda each: each.deed is not Deed.ADD_DRIVE)
    return found


def _is_left_alone(drive: DriveFacts, kind: HoldKind) -> bool:
    """Whether nothing that is wrong in this copy would be written anew by the same command."""
    is_own = drive.is_hand_made is not True
    return drive.is_finished is True or (kind.code == "copy-not-own" and is_own)


def _fields(reason: Reason, case: Case, context: Context) -> dict[str, str]:
    is_one = len(reason.paths) <= 1
    return {
        "files": grouped(reason.paths) if reason.paths else _CARD_WORDS,
        "drives": listed(reason.drives),
        "is": "is" if is_one else "are",
        "was": "was" if is_one else "were",
        "has": "has" if is_one else "have",
        "d_is": "is" if len(reason.drives) == 1 else "are",
        "needed": f"{case.needed:,}",
        "takes": f", {context.reading_takes}" if context.reading_takes else "",
    }


def _sentence(template: str, fields: dict[str, str], paths: Sequence[bytes]) -> str:
    text = template.format_map(fields)
    # A name keeps its letters; only our own words begin large.
    is_ours = template.startswith("{files}") and fields["files"] in (_CARD_WORDS, THE_CARD_ITSELF)
    return text[0].upper() + text[1:] if is_ours and not any(paths[:1]) else text


def _since(reason: Reason, case: Case, context: Context) -> tuple[str, ...]:
    if reason.code != "card-was-away" or not context.safe_at:
        return ()
    if case.facts.is_as_listed is not True or case.facts.card_changes:
        return ()
    return (f"It lists as at {context.safe_at}, when it was safe.",)


def _bounded(details: tuple[str, ...]) -> tuple[str, ...]:
    more = len(details) - DETAILS_SHOWN
    return details if more <= 0 else (*details[:DETAILS_SHOWN], f"And {more:,} more.")


def _way(
    remedy: Remedy, fields: dict[str, str], reason: Reason, case: Case, context: Context
) -> Way:
    words = remedy.words.format_map(fields)
    return Way(words, _command(remedy.deed, reason, case, context.reference))


def _to_hand_made(case: Case) -> list[bytes]:
    """The folders in which copies were looked for, which no settings need to know."""
    words: list[bytes] = []
    for drive in case.facts.drives:
        if drive.is_hand_made is True:
            words += [b"--to", drive.path]
    return words


def _command(deed: Deed, reason: Reason, case: Case, card: bytes) -> tuple[bytes, ...]:
    if any(drive.is_hand_made is True for drive in case.facts.drives) and deed is Deed.COPY:
        if reason.code not in _MENDED_BY_WRITING:
            return _prove(card)
        return _words(b"copy", [card], [b"--missing", *_to_hand_made(case)])
    match deed:
        case Deed.COPY:
            return _words(b"copy", [card])
        case Deed.PROVE:
            return _prove(card)
        case Deed.LOOK:
            return _words(b"check", [card])
        case Deed.ADD_DRIVE:
            return _words(b"copy", [card], _to_drives(case))
        case Deed.SAME_DRIVE:
            return _words(b"copy", [card], [b"--same-drive-ok"])
        case Deed.MEND:
            return _mend(reason, case)
        case Deed.SETTLE:
            return _settle(reason, card)
        case Deed.NONE:
            return ()


def _prove(card: bytes) -> tuple[bytes, ...]:
    return _words(b"check", [card], [b"--read"])


def _settle(reason: Reason, card: bytes) -> tuple[bytes, ...]:
    clip = reason.paths[0] if reason.paths else b""
    names = [card, reason.code.encode("ascii"), clip]
    return _words(b"settle", names, [b"--by", b"NAME", b"--because", b"TEXT"])


def _mend(reason: Reason, case: Case) -> tuple[bytes, ...]:
    good = _good_copy(reason, case)
    copies = [each.path for each in case.facts.drives if each.name in reason.drives]
    if good is None or not copies:
        return ()
    return _words(b"mend", copies[:1], [b"--from", good])


def _good_copy(reason: Reason, case: Case) -> bytes | None:
    """The folder of a drive on which every file that a reason is about is proven."""
    short = [group for group in case.groups.all if not case.is_enough(group)]
    mask = -1
    for group in short:
        if group.needs_copies:
            mask &= case.proven_on(group)
    for at, drive in enumerate(case.facts.drives):
        if mask >> at & 1 and drive.name not in reason.drives:
            return drive.path
    return None


def _to_drives(case: Case) -> list[bytes]:
    """The drives that count, named again, and one more: ``--to`` stands instead of the settings."""
    options: list[bytes] = []
    for drive, exclusion in zip(case.facts.drives, case.exclusions, strict=True):
        if not exclusion:
            options += _option(b"--to", drive.name.encode("utf-8", "surrogateescape"))
    return [*options, b"--to", b"DRIVE"]


def _option(name: bytes, value: bytes) -> list[bytes]:
    # A value that begins with a dash would be taken for the next option.
    return [name + b"=" + value] if value.startswith(b"-") else [name, value]


def _words(verb: bytes, names: Sequence[bytes], options: Sequence[bytes] = ()) -> tuple[bytes, ...]:
    names = [name for name in names if name]
    if any(name.startswith(b"-") for name in names):
        return (b"offload", verb, *options, b"--", *names)
    return (b"offload", verb, *names, *options)
