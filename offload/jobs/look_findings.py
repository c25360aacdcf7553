"""From what was found in clips to what a verdict holds, tells and leaves unsaid.

* A doubt that keeps the card is one hold for a file (for a sequence of frames its folder), under
  the code that says most: a person decides once about one recording. The rest is in its text.
* What keeps nothing is told once for all clips that have it.
* Only a clip's own doubts keep a card. An unknown or encrypted form keeps nothing.
"""

from collections.abc import Iterable, Iterator, Sequence

from offload.clearance.holds import is_settleable
from offload.values.clips import Clip, ClipCode, ClipFinding, ClipKind, Weight
from offload.values.findings import Finding
from offload.values.paths import parent
from offload.values.verdict import Notice

_BY_WEIGHT = (
    ClipCode.EMPTY,
    ClipCode.UNFINISHED,
    ClipCode.CUT_SHORT,
    ClipCode.PART_MISSING,
    ClipCode.ZEROS,
    ClipCode.DAMAGED,
    ClipCode.COUNTS_DIFFER,
    ClipCode.UNDECODABLE,
    ClipCode.UNCHECKED,
)
_PLACES = {code: place for place, code in enumerate(_BY_WEIGHT)}
_TEXTS_SHOWN = 3
_ALIKE = 3
"""More different texts of one kind than this are said once."""


def holds_of(clip: Clip, findings: Iterable[ClipFinding]) -> tuple[Finding, ...]:
    """What keeps the card, one finding for each file with a doubt."""
    by_path: dict[bytes, list[ClipFinding]] = {}
    for each in findings:
        if each.weight is Weight.HOLD:
            by_path.setdefault(_path_of(clip, each), []).append(each)
    return tuple(_folded(path, its) for path, its in by_path.items())


def _path_of(clip: Clip, finding: ClipFinding) -> bytes:
    # A decision about frames binds to all of them, and nobody decides about each.
    return parent(clip.path) if clip.kind is ClipKind.FRAMES else finding.path or clip.path


def _folded(path: bytes, findings: Sequence[ClipFinding]) -> Finding:
    ordered = sorted(findings, key=lambda each: _PLACES.get(each.code, len(_PLACES)))
    code = ordered[0].code
    if not is_settleable(code):
        # A code of a later version: never dropped, and no more than a doubt about a recording.
        code = ClipCode.UNCHECKED
    texts = list(dict.fromkeys(each.text for each in ordered))
    more = len(texts) - _TEXTS_SHOWN
    text = "; ".join(texts[:_TEXTS_SHOWN])
    return Finding(code, f"{text}; and {more} more" if more > 0 else text, path)


def told_of(findings: Iterable[tuple[Clip, ClipFinding]]) -> Iterator[Finding]:
    """What keeps nothing and is told all the same: one text for all clips that have one fault.

    Args:
        findings: of all clips.
    """
    kinds: dict[tuple[str, str], dict[str, list[bytes]]] = {}
    for clip, each in findings:
        if each.weight is Weight.NOTICE:
            texts = kinds.setdefault((each.code, each.check), {})
            texts.setdefault(each.text, []).append(clip.path)
    for (code, _check), texts in kinds.items():
        if len(texts) > _ALIKE:
            first = next(iter(texts))
            together = f"{first}; the others in the same way"
            texts = {together: [path for paths in texts.values() for path in paths]}
        for text, paths in texts.items():
            for path in dict.fromkeys(paths):
                yield Finding(code, text, path)


def findings_of(notice: Notice) -> Iterator[Finding]:
    """A notice as findings that are grouped again where they are shown.

    A text that counts its clips first loses the count, since grouping says which they are.
    """
    counted, colon, rest = notice.text.partition(": ")
    if colon and notice.paths and counted in (f"{len(notice.paths)} clips", "1 clip"):
        for path in notice.paths:
            yield Finding(notice.code, rest, path)
    else:
        yield Finding(notice.code, notice.text)


def clip_findings_of(notices: Iterable[Notice]) -> dict[bytes, list[ClipFinding]]:
    """By clip, what notices about several say of it; for what is kept of each clip."""
    found: dict[bytes, list[ClipFinding]] = {}
    for notice in notices:
        (first, *_rest) = findings_of(notice)
        for path in notice.paths:
            finding = ClipFinding(notice.code, first.text, path, weight=Weight.NOTICE)
            found.setdefault(path, []).append(finding)
    return found
