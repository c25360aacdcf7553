"""The table of clips: one line a clip where there is room, two where there is not.

Under a clip stands what keeps a card; what several have in common stands once, at the end.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from rich.cells import cell_len, set_cell_size

from offload.clearance.words import counted, grouped, phrase
from offload.cli.amounts import size
from offload.cli.wrapping import spread, wrapped
from offload.jobs.look_table import ClipTable
from offload.ledger.clips import KeptClip
from offload.media.codec_names import codec_text
from offload.media.frame_rate import decimal_text
from offload.values.clips import AsOrdered, ClipFacts, ClipKind, Complete, Copied, Usable
from offload.values.findings import Finding
from offload.values.paths import parent, shown, to_text

NARROWEST = 60
_LABEL = 11
_GAP = "  "
_HEADS = ("clip", "length", "begins", "picture", "sound", "state")


@dataclass(frozen=True, slots=True)
class _Row:
    """One clip as text, and what is wrong with it alone."""

    cells: tuple[str, ...]
    doubts: tuple[str, ...]


def lines(table: ClipTable, source: str, width: int | None) -> list[str]:
    """The whole table.

    Args:
        table: what to show.
        source: where it comes from, escaped.
        width: columns; None for lines that are not broken.
    """
    width = None if width is None else max(NARROWEST, width)
    folder = _common_folder(table.clips)
    rows = [_row(clip, folder, table.holds) for clip in table.clips]
    return [
        *_heading(table, source, folder, width),
        *_body(rows, width),
        *_notices(table.notices, width),
        *_ending(table, width),
    ]


def _heading(table: ClipTable, source: str, folder: bytes, width: int | None) -> Iterator[str]:
    total = sum((clip.probed.facts.duration or Fraction(0) for clip in table.clips), Fraction(0))
    parts = [counted(len(table.clips), "clip")]
    if total:
        parts.append(length_text(total))
    parts.append(size(sum(clip.total_bytes for clip in table.clips)))
    where = f", all in {to_text(folder)}" if folder else ""
    name = f"{shown(table.roll)}  " if table.roll else ""
    yield from spread(f"{name}{', '.join(parts)}{where}", source, width, " " * 6)


def _body(rows: Sequence[_Row], width: int | None) -> Iterator[str]:
    if not rows:
        return
    widths = [
        max(cell_len(cells[at]) for cells in (_HEADS, *(row.cells for row in rows)))
        for at in range(len(_HEADS))
    ]
    fits = width is None or 2 + sum(widths) + len(_GAP) * (len(widths) - 1) <= width
    if fits:
        yield _line(_HEADS, widths)
    for row in rows:
        yield from [_line(row.cells, widths)] if fits else _two_lines(row, width)
        for doubt in row.doubts:
            yield from wrapped(doubt, width, " " * 6, " " * 10)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    padded = (set_cell_size(cell, room) for cell, room in zip(cells, widths, strict=True))
    return f"  {_GAP.join(padded)}".rstrip()


def _two_lines(row: _Row, width: int | None) -> Iterator[str]:
    name, length, begins, picture, sound, state = row.cells
    yield from spread(f"  {name}", _GAP.join(filter(None, (length, begins))), width, " " * 6)
    rest = ", ".join(filter(None, (picture, sound, state)))
    yield from wrapped(rest, width, " " * 6, " " * 6)


def _row(clip: KeptClip, folder: bytes, holds: Sequence[Finding]) -> _Row:
    facts = clip.probed.facts
    length = length_text(facts.duration) if facts.duration else ""
    begins = facts.timecode.text if facts.timecode else ""
    cells = (
        _name(clip, folder),
        length,
        phrase(begins),
        _picture(facts),
        _sound(facts),
        _state(clip),
    )
    its = {clip.path, parent(clip.path)} if clip.kind is ClipKind.FRAMES else {clip.path}
    found = (hold for hold in holds if hold.path in its)
    return _Row(cells, tuple(f"{hold.code}: {phrase(hold.text)}" for hold in found))


def _name(clip: KeptClip, folder: bytes) -> str:
    path = clip.path[len(folder) + 1 :] if folder else clip.path
    more = f" and {clip.files - 1:,} more" if clip.files > 1 else ""
    return f"{to_text(path)}{more}"


def _picture(facts: ClipFacts) -> str:
    if not (facts.width or facts.codec or facts.fourcc):
        return ""
    parts = [codec_text(facts)]
    if facts.width and facts.height:
        parts.append(f"{facts.width}x{facts.height}")
    if facts.rate:
        parts.append(decimal_text(facts.rate))
    return " ".join(parts)


def _sound(facts: ClipFacts) -> str:
    if not facts.audio:
        return ""
    channels = sum(track.channels or 0 for track in facts.audio)
    first = facts.audio[0]
    parts = [f"{channels} ch"]
    if first.sample_rate_hz:
        parts.append(f"{first.sample_rate_hz / 1000:g} kHz")
    if first.bits_per_sample:
        parts.append(f"{first.bits_per_sample} bit")
    return " ".join(parts)


def _state(clip: KeptClip) -> str:
    """What is answered with no; else what is not known."""
    answers = clip.answers
    words = [
        "not copied" if answers.copied is Copied.NO else "",
        {Complete.NO: "not whole", Complete.UNKNOWN: "not checked"}.get(answers.complete, ""),
        "does not decode" if answers.usable is Usable.NO else "",
        "not as ordered" if answers.as_ordered is AsOrdered.NO else "",
    ]
    return ", ".join(filter(None, words)) or (
        "whole" if answers.usable is Usable.UNKNOWN else "whole, decodes"
    )


def _notices(notices: Iterable[Finding], width: int | None) -> Iterator[str]:
    together: dict[tuple[str, str], list[bytes]] = {}
    for each in notices:
        together.setdefault((each.code, each.text), []).extend([each.path] if each.path else [])
    for (_code, text), paths in together.items():
        where = f"{grouped(paths)}: " if paths else ""
        first = f"  {'tell camera':<{_LABEL}}  "
        yield from wrapped(f"{where}{phrase(text)}", width, first, " " * (_LABEL + 4))


def _ending(table: ClipTable, width: int | None) -> Iterator[str]:
    if not table.clips:
        yield from wrapped("No clip that is known here.", width, "  ", "  ")
    if table.holds:
        doubtful = counted(len(table.holds), "file")
        text = f"{doubtful} with a doubt: keep the card, and play it in the camera."
        yield from wrapped(text, width, "  ", "  ")


def _common_folder(clips: Sequence[KeptClip]) -> bytes:
    folders = {parent(clip.path) for clip in clips}
    return folders.pop() if len(folders) == 1 else b""


def length_text(seconds: Fraction) -> str:
    """``4.2 s``, ``1:05``, ``1:02:03``: short lengths to a tenth of a second."""
    if seconds < 60:
        return f"{float(seconds):.1f} s"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{left:02}" if hours else f"{minutes}:{left:02}"
