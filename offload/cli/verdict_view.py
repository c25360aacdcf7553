"""The verdict on a screen: the answer first, then what it rests on, then what to do.

Works from 60 columns and without colour; to a pipe it is plain lines, none of them broken. Text is
never read as markup, and a character that the screen cannot show never ends anything: it is written
as its escape.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import takewhile
from typing import TextIO

from rich.cells import cell_len

from offload.clearance.shell import quoted
from offload.clearance.words import counted, grouped, listed, phrase, safe
from offload.cli.amounts import size
from offload.cli.styled_lines import Line, is_ascii_only, show_lines, width_of
from offload.cli.wrapping import spread, wrapped, wrapped_command
from offload.jobs.outcome import Outcome
from offload.values.facts import ReadBack
from offload.values.paths import to_text
from offload.values.verdict import CopySummary, Hold, Notice, Verdict, Way

SAFE_WORDS = "SAFE TO ERASE IN CAMERA"
KEEP_WORDS = "KEEP THE CARD. Do not erase."

_INDENT = " " * 6
_DEEP = " " * 10
_LABEL = 11
_LAST = ("record", "descent")
"""Rows that stand below those of the drives."""
_NAMES_SHOWN = 8
_NOTICES_SHOWN = 12
FOR_THE_CAMERA = ("brief-", "camera-", "clip-", "clips-", "roll-", "sound-", "timecode-")


@dataclass(frozen=True, slots=True)
class Scene:
    """What stands around a verdict on the screen.

    Attributes:
        name: how the card is called: roll, code, label or mount point, raw.
        is_label: ``name`` is only the label of a card that has no roll yet.
        when: the moment of the verdict, with zone; left out where None.
        rows: label and text of further lines below a clearance, in order, text escaped.
        record: where the signed clearance lies, relative to each drive, raw; stands in its row.
        is_check: asked whether erasing now would lose anything: files are counted by drives.
    """

    name: str
    is_label: bool = False
    when: datetime | None = None
    rows: tuple[tuple[str, str], ...] = ()
    record: bytes = b""
    is_check: bool = False


def show(verdict: Verdict, scene: Scene, stream: TextIO) -> None:
    """Write the verdict to a terminal, a pipe or a file.

    A stream that takes nothing any more ends nothing: the verdict stands in ledger and record, and
    the exit code says it.
    """
    lines = verdict_lines(verdict, scene, width_of(stream), ascii_only=is_ascii_only(stream))
    show_lines(lines, stream)


def verdict_lines(
    verdict: Verdict, scene: Scene, width: int | None, *, ascii_only: bool = False
) -> list[Line]:
    """The whole screen.

    Args:
        verdict: what to say.
        scene: what stands around it.
        width: columns; None for lines that are not broken.
        ascii_only: write commands without any other character.
    """
    pen = _Pen(width, ascii_only)
    if verdict.is_cleared:
        lines = [*_head(verdict, scene, pen), *_basis(verdict, scene, pen)]
    else:
        lines = [*_head(verdict, scene, pen), *_reasons(verdict, scene, pen)]
    # Everything was escaped where it was made; this last look costs little.
    return [Line(phrase(line.text), line.style) for line in lines]


def scene_of(outcome: Outcome, *, is_check: bool = False) -> Scene:
    """The surroundings of a verdict that a job has come to."""
    context = outcome.context
    name = context.roll or context.code or outcome.label
    rows = tuple(_card_rows(outcome))
    return Scene(
        name or to_text(outcome.card),
        is_label=bool(outcome.label) and not (context.roll or context.code),
        when=outcome.ended_at,
        rows=rows,
        record=_common_path(outcome.clearance.paths) if outcome.clearance else b"",
        is_check=is_check,
    )


@dataclass(frozen=True, slots=True)
class _Pen:
    width: int | None
    ascii_only: bool

    def write(self, text: str, first: str, rest: str, style: str = "") -> Iterator[Line]:
        for line in wrapped(text, self.width, first, rest):
            yield Line(line, style)

    def command(self, words: Sequence[bytes], first: str, rest: str) -> Iterator[Line]:
        typed = [quoted(word, ascii_only=self.ascii_only) for word in words]
        for line in wrapped_command(typed, self.width, first, rest):
            yield Line(line, "bold")

    def row(self, label: str, text: str) -> Iterator[Line]:
        first = f"  {label:<{_LABEL}}  "
        return self.write(text, first, " " * (_LABEL + 4))

    def path_row(self, label: str, text: str, path: bytes) -> Iterator[Line]:
        """A row that ends with a path, which stands unbroken, as a shell takes it."""
        *before, last = self.row(label, f"{text}:")
        yield from before
        word = quoted(path, ascii_only=self.ascii_only)
        together = f"{last.text} {word}"
        if self.width is None or cell_len(together) <= self.width:
            yield Line(together)
        else:
            yield last
            yield Line(" " * (_LABEL + 4) + word)


def _head(verdict: Verdict, scene: Scene, pen: _Pen) -> Iterator[Line]:
    name = f'CARD "{safe(scene.name)}"' if scene.is_label else safe(scene.name)
    words = SAFE_WORDS if verdict.is_cleared else KEEP_WORDS
    style = "bold green" if verdict.is_cleared else "bold red"
    left = f"{name}  {words}" if name else words
    when = scene.when.strftime("%a %d %b %Y, %H:%M:%S") if scene.when else ""
    for line in spread(left, when, pen.width, _INDENT):
        yield Line(line, style)
    yield from pen.write(verdict.headline, _INDENT, _INDENT)


def _basis(verdict: Verdict, scene: Scene, pen: _Pen) -> Iterator[Line]:
    for label, text in scene.rows:
        if label not in _LAST:
            yield from pen.row(label, text)
    for copy in verdict.copies:
        yield from pen.row(safe(copy.drive), _copy_text(copy))
    for label, text in scene.rows:
        if label == "record" and scene.record:
            yield from pen.path_row(label, text, scene.record)
        elif label in _LAST:
            yield from pen.row(label, text)
    yield from _words_taken(verdict, pen)
    yield from _notices(verdict.notices, pen)
    until = "True while it stays in this reader. Once it has left, ask again: offload check"
    yield from pen.write(until, "  ", "  ")


def _reasons(verdict: Verdict, scene: Scene, pen: _Pen) -> Iterator[Line]:
    if scene.is_check:
        yield from _losses(verdict, pen)
    for number, hold in enumerate(verdict.holds, 1):
        yield from _reason(number, hold, pen)
    yield from _words_taken(verdict, pen)
    yield from _notices(verdict.notices, pen)
    yield from pen.write("Nothing is lost as long as the card is kept.", "  ", "  ")


def _losses(verdict: Verdict, pen: _Pen) -> Iterator[Line]:
    """What erasing now would cost, and how many files are on how many drives."""
    on = dict(verdict.files_on)
    if not verdict.files:
        return
    gone, single = on.get(0, 0), on.get(1, 0)
    if gone:
        text = f"Erasing (formatting) now would lose {counted(gone, 'file')} for good"
        rest = f"; {single:,} {'is' if single == 1 else 'are'} on a single drive" if single else ""
        yield from pen.write(f"{text}{rest}.", _INDENT, _INDENT)
    for drives, files in verdict.files_on:
        where = "nowhere" if not drives else f"on {counted(drives, 'drive')}"
        only = " only" if drives == 1 else ""
        yield from pen.row(counted(files, "file"), f"proven {where}{only}")


def _reason(number: int, hold: Hold, pen: _Pen) -> Iterator[Line]:
    yield from pen.write(f"{hold.code}: {hold.text}", f"{number:>3} ", _INDENT, "bold")
    if len(hold.paths) > 1 and grouped(hold.paths) in hold.text:
        yield from pen.write(_names(hold.paths), _INDENT, _INDENT)
    for detail in hold.details:
        yield from pen.write(detail, _INDENT, _INDENT)
    for at, way in enumerate(hold.ways):
        yield from _way(way, "DO  " if at == 0 else "OR  ", pen)


def _way(way: Way, mark: str, pen: _Pen) -> Iterator[Line]:
    head = f"{_INDENT}{mark}"
    if not way.command:
        yield from pen.write(way.words, head, _DEEP)
        return
    *before, last = pen.write(way.words, head, _DEEP)
    yield from before
    # On the same line where it fits, since it is one thing to do.
    (first, *more) = pen.command(way.command, f"{last.text}   ", _DEEP)
    if not more and (pen.width is None or len(first.text) <= pen.width):
        yield Line(first.text)
        return
    yield last
    yield from pen.command(way.command, _DEEP, _DEEP + "    ")


def _names(paths: Sequence[bytes]) -> str:
    shown = [to_text(path) for path in paths[:_NAMES_SHOWN]]
    more = len(paths) - len(shown)
    return "  ".join(shown) + (f"  and {more:,} more" if more else "")


def _words_taken(verdict: Verdict, pen: _Pen) -> Iterator[Line]:
    for text in verdict.declarations:
        yield from pen.row("declared", text)
    for text in verdict.settled:
        yield from pen.row("settled", text)


def _notices(notices: Sequence[Notice], pen: _Pen) -> Iterator[Line]:
    for notice in notices[:_NOTICES_SHOWN]:
        is_for_camera = notice.code.startswith(FOR_THE_CAMERA)
        yield from pen.row("tell camera" if is_for_camera else "note", notice.text)
    if len(notices) > _NOTICES_SHOWN:
        yield from pen.row("note", f"{len(notices) - _NOTICES_SHOWN:,} more: see --json")


def _copy_text(copy: CopySummary) -> str:
    equal = f"{copy.proven:,} of {counted(copy.files, 'file')} equal"
    if not copy.counts:
        return f"does not count: {copy.why_not}"
    how = {
        ReadBack.DEVICE: "read from the device",
        ReadBack.SERVER: "read back from its server",
    }.get(copy.read_back, "")
    names = "" if copy.names_read else "; names and folders were not read anew"
    return f"{equal}, {how}{names}"


def _card_rows(outcome: Outcome) -> Iterator[tuple[str, str]]:
    inventory = outcome.facts.inventory
    code = f", code {outcome.context.code}" if outcome.context.code else ""
    files = counted(inventory.file_count, "file")
    yield "this card", f"{files}, {size(inventory.total_bytes)}{code}"
    reads = {1: "once", 2: "twice, both times the same"}.get(outcome.facts.policy.card_reads, "")
    left_out = len(inventory.left_out)
    rest = f"; {counted(left_out, 'computer file')} left out" if left_out else ""
    yield "card read", f"{reads}{rest}"
    if outcome.clearance is not None:
        yield "record", f"signed, on {listed(sorted(outcome.clearance.paths))}"
    for drive, source in outcome.descends_from.items():
        from_where = f"{source.path}, {to_text(source.manifest.path)}"
        text = f"the copy on {safe(drive)} descends from the copy on {source.drive}: {from_where}"
        yield "descent", text


def _common_path(paths: dict[str, bytes]) -> bytes:
    """What the places of the clearance on all drives have in common, read from the end."""
    from_the_end = zip(*(reversed(path.split(b"/")) for path in paths.values()), strict=False)
    common = [parts[0] for parts in takewhile(_are_equal, from_the_end)]
    return b"/".join(reversed(common))


def _are_equal(parts: tuple[bytes, ...]) -> bool:
    return len(set(parts)) == 1
