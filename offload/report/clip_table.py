"""The clips beside a page, as a table of plain text: RFC 4180, UTF-8, one line a clip.

Bare numbers and the file's own words, so that other programs can read them: lengths in seconds,
rates as fractions, levels in dBFS. A text that a spreadsheet would take for a formula has an
apostrophe put before it (common practice, OWASP "CSV injection").
"""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from offload.report.clip_lines import ClipLine
from offload.report.roll_facts import RollFacts
from offload.report.spelling import Spellings, phrase, safe
from offload.values.clips import Copied, Weight
from offload.values.paths import to_text
from offload.values.probed import ChannelLevels

COLUMNS = (
    *("roll", "day", "card_code", "clip", "kind", "files", "bytes", "container", "codec"),
    *("width", "height", "frame_rate", "frames", "length_s", "timecode_in", "timecode_out"),
    *("drop_frame", "reel", "channels", "sample_rate_hz", "bits", "peak_dbfs", "rms_dbfs"),
    *("copied", "proven_on", "complete", "usable", "as_ordered", "findings", "checksums"),
)
TABLE_MARK = ",".join(COLUMNS[:5]).encode("ascii")
"""How every table begins; a file that begins otherwise is not ours to replace."""

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def clip_table(found: Iterable[RollFacts], spellings: Spellings) -> bytes:
    """All clips of these rolls."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for facts in found:
        writer.writerows(_row(facts, line, spellings) for line in facts.clips)
    return out.getvalue().encode("utf-8")


def _row(facts: RollFacts, line: ClipLine, spellings: Spellings) -> list[str | int]:
    return [
        *(_text(each) for each in (facts.name, facts.roll.day, facts.roll.code)),
        *_clip(line, spellings),
        *_sound(line),
        _copied(line).value,
        _text(" ".join(line.proven_on or ())),
        line.kept.answers.complete.value,
        line.kept.answers.usable.value,
        line.kept.answers.as_ordered.value,
        _text("; ".join(_findings(line))),
        _text(" ".join(f"{kind}:{text}" for kind, text in line.checksums)),
    ]


def _copied(line: ClipLine) -> Copied:
    if line.proven_on is None:
        return line.copied
    return Copied.YES if line.proven_on else Copied.NO


def _clip(line: ClipLine, spellings: Spellings) -> Iterator[str | int]:
    kept = line.kept
    about = kept.probed.facts
    yield _text(to_text(kept.path))
    yield kept.kind.value
    yield kept.files
    yield kept.total_bytes
    yield about.container.value
    yield _text(phrase(spellings.codec(about))) if about.codec or about.fourcc else ""
    yield about.width or ""
    yield about.height or ""
    yield str(about.rate) if about.rate else ""
    yield about.frames if about.frames is not None else ""
    yield f"{float(about.duration):.3f}" if about.duration is not None else ""
    yield _text(line.first)
    yield _text(line.last)
    yield "" if about.timecode is None else "yes" if about.timecode.is_drop else "no"
    yield _text(line.reel)


def _sound(line: ClipLine) -> Iterator[str | int]:
    tracks = line.kept.probed.facts.audio
    sound = line.kept.probed.sound
    channels = sound.channels if sound else ()
    yield sum(track.channels or 0 for track in tracks) if tracks else ""
    yield " ".join(dict.fromkeys(str(track.sample_rate_hz or "") for track in tracks))
    yield " ".join(dict.fromkeys(str(track.bits_per_sample or "") for track in tracks))
    yield _levels([each.peak_dbfs for each in channels], channels)
    yield _levels([each.rms_dbfs for each in channels], channels)


def _levels(levels: Sequence[float | None], channels: Sequence[ChannelLevels]) -> str:
    """Levels of all channels, in brackets so that a leading minus sign is no formula."""
    if not channels:
        return ""
    return "[" + " ".join("silent" if each is None else f"{each:.1f}" for each in levels) + "]"


def _findings(line: ClipLine) -> Iterator[str]:
    for each in line.kept.findings:
        if each.weight is not Weight.NOTE:
            yield f"{each.code}: {phrase(each.text)}"


def _text(text: str) -> str:
    printable = safe(text) if "\\" not in text else phrase(text)
    return "'" + printable if printable.startswith(_FORMULA) else printable
