"""A mending on a screen and as JSON: the answer first, then each file and where it went."""

from collections.abc import Iterator
from typing import Any

from offload.clearance.words import counted, phrase
from offload.cli.styled_lines import Line
from offload.cli.verify_json import result_object
from offload.cli.verify_screen import INDENT, Pen
from offload.cli.verify_view import verification_lines
from offload.jobs.mend_result import GoodIn, MendAnswer, Mended, Mending
from offload.jobs.verify_place import roll_of
from offload.values.findings import Finding
from offload.values.paths import join, name, to_text

FILES_SHOWN = 40
LISTED = 1000

_HEADS = {
    MendAnswer.MENDED: ("MENDED", "bold green"),
    MendAnswer.NOTHING_TO_MEND: ("NOTHING TO MEND", "bold"),
    MendAnswer.PARTLY: ("MENDED IN PART", "bold red"),
    MendAnswer.REFUSED: ("NOT MENDED. Nothing was touched.", "bold red"),
}


def mending_lines(found: Mending, pen: Pen) -> list[Line]:
    """The whole screen; below it, what the copy is now."""
    words, style = _HEADS[found.answer]
    folder = found.before.folder
    ended = (found.after or found.other).ended_at.astimezone()
    title = to_text(roll_of(name(folder)) or folder)
    lines = pen.head(f"{title}  {words}", ended.strftime("%a %d %b %Y, %H:%M:%S"), style)
    lines += pen.text(_headline(found))
    for mended in found.mended[:FILES_SHOWN]:
        lines += _mended(mended, found, pen)
    if len(found.mended) > FILES_SHOWN:
        lines += pen.row("", f"{len(found.mended) - FILES_SHOWN:,} more: see --json")
    for failed in found.failed[:FILES_SHOWN]:
        lines += pen.row("not put back", f"{to_text(failed.path)}: {phrase(failed.text)}")
    for good in found.good_in[:FILES_SHOWN]:
        lines += pen.row("good in", _good_in(good, found))
    lines += _what_now(found, pen)
    lines += verification_lines(found.after or found.before, pen)
    return lines


def mending_object(found: Mending) -> dict[str, Any]:
    """The last line of ``--json``."""
    return {
        "type": "result",
        "answer": found.answer.value,
        "headline": _headline(found),
        "exit": found.exit_code,
        "why_not": phrase(found.why_not),
        "folder": to_text(found.before.folder),
        "from": to_text(found.other.folder),
        "mended": [
            {
                "path": to_text(each.path),
                "kept_aside": to_text(each.kept_aside),
                "from": to_text(each.source),
            }
            for each in found.mended[:LISTED]
        ],
        "failed": [_finding(each) for each in found.failed[:LISTED]],
        "good_in": [
            {"path": to_text(each.path), "copy": each.in_copy, "other": each.in_other}
            for each in found.good_in[:LISTED]
        ],
        "copy": result_object(found.after or found.before),
        "other": result_object(found.other),
    }


def _headline(found: Mending) -> str:
    if found.answer is MendAnswer.REFUSED:
        return f"{found.why_not[:1].upper()}{found.why_not[1:]}."
    if found.answer is MendAnswer.NOTHING_TO_MEND:
        return "No recorded file of this copy is missing, unreadable or other than recorded."
    files = counted(len(found.mended), "file")
    source = to_text(found.other.folder)
    put = f"{files} put back from {source}, and read again from the drive"
    if found.failed:
        return f"{put}; {counted(len(found.failed), 'file')} could not be."
    return f"{put}."


def _mended(mended: Mended, found: Mending, pen: Pen) -> Iterator[Line]:
    text = to_text(mended.path)
    if mended.kept_aside:
        aside = to_text(join(found.before.base, mended.kept_aside))
        text += f"; the damaged one is kept as {aside}"
    yield from pen.row("put back", text)


def _good_in(good: GoodIn, found: Mending) -> str:
    path = to_text(good.path)
    if good.in_copy:
        return f"{to_text(found.before.folder)} only: {path}"
    if good.in_other:
        return f"{to_text(found.other.folder)} only: {path}"
    return f"neither: {path}"


def _what_now(found: Mending, pen: Pen) -> Iterator[Line]:
    if found.answer is not MendAnswer.REFUSED and not found.failed:
        return
    if any(not each.in_copy and not each.in_other for each in found.good_in):
        yield from pen.text("A file that is good in neither may be good in a third copy.")
    words = "name another copy that itself verifies"
    yield from pen.act(words, (b"mend", found.before.folder, b"--from", b"OTHER"))
    if found.other.reasons:
        yield from pen.text("What is wrong with the other copy:", INDENT, INDENT)
        yield from pen.act("look at it", (b"verify", found.other.folder))


def _finding(finding: Finding) -> dict[str, str]:
    return {
        "code": finding.code,
        "path": to_text(finding.path),
        "text": phrase(finding.text),
    }
