"""Frame sequences: what a folder of numbered frames should hold and does not."""

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from offload.media.numbered_names import Sequenced, holes, range_text
from offload.values.clips import ClipCode, ClipFinding, Weight
from offload.values.entries import Entries

_EQUAL_SHARE = 0.9
_MOST_NAMED = 20
_CHECK_HOLES, _CHECK_SIZES = "frame-numbers", "frame-sizes"


def sequence_findings(entries: Entries, frames: Sequenced, path: bytes) -> tuple[ClipFinding, ...]:
    """What is wrong with one sequence, by numbers and sizes alone.

    Args:
        entries: the inventory's entries.
        frames: numbers and entries of the frames.
        path: the clip's path, for the findings.
    """
    return (*_numbers(frames, path), *_sizes(entries, frames, path))


def _numbers(frames: Sequenced, path: bytes) -> Iterator[ClipFinding]:
    missing = holes(frames.numbers)
    for first, last in missing[:_MOST_NAMED]:
        word = "frame" if first == last else "frames"
        text = f"{word} {range_text(first, last)} missing"
        yield ClipFinding(ClipCode.PART_MISSING, text, path, check=_CHECK_HOLES)
    if rest := missing[_MOST_NAMED:]:
        count = sum(last - first + 1 for first, last in rest)
        text = f"{count} more frames missing in {len(rest)} places"
        yield ClipFinding(ClipCode.PART_MISSING, text, path, check=_CHECK_HOLES)
    doubles = [a for a, b in pairwise(frames.numbers) if a == b]
    if doubles:
        text = f"{len(doubles)} frame numbers are there twice, the first is {min(doubles)}"
        yield ClipFinding(
            ClipCode.PART_MISSING, text, path, weight=Weight.NOTICE, check=_CHECK_HOLES
        )


def _sizes(entries: Entries, frames: Sequenced, path: bytes) -> Iterator[ClipFinding]:
    """Empty frames; and, where nearly all are equally long (uncompressed), those that are not."""
    counts = Counter(entries.size_bytes(at) for at in frames.files)
    usual, share = counts.most_common(1)[0]
    is_equal = share >= _EQUAL_SHARE * len(frames) and usual > 0
    empty, odd = 0, 0
    for number, at in zip(frames.numbers, frames.files, strict=True):
        size = entries.size_bytes(at)
        if size == 0:
            empty += 1
            code, text = ClipCode.EMPTY, f"frame {number} is 0 bytes long"
        elif is_equal and size != usual:
            odd += 1
            code, text = ClipCode.CUT_SHORT, f"frame {number} has {size} bytes, the others {usual}"
        else:
            continue
        if empty + odd <= _MOST_NAMED:
            is_long = size > usual
            yield ClipFinding(
                code,
                text,
                entries.path(at),
                weight=Weight.NOTICE if is_long else Weight.HOLD,
                check=_CHECK_SIZES,
            )
    if empty + odd > _MOST_NAMED:
        text = f"{empty + odd - _MOST_NAMED} more frames empty or of another size"
        yield ClipFinding(ClipCode.CUT_SHORT, text, path, check=_CHECK_SIZES)
