"""Which samples of a track have their heads looked at: all while that is cheap, else spread."""

from collections.abc import Callable
from dataclasses import dataclass

from offload.media.essence import has_checks, head_flaw
from offload.media.reading import BoundedReader
from offload.media.structure import Essence, Findings
from offload.values.clips import ClipCode

HEADS_PER_TRACK = 4096
"""Some three minutes at 24 frames a second are looked at frame by frame; longer clips at this
many places spread over their length, the first and the last among them."""

# The last picture is read whole: a tail of zeros too short for the zero-run map lies in it.
_LAST_BYTES = 16 * 1024 * 1024


@dataclass(slots=True)
class HeadCount:
    """How many samples could have been looked at, and how many were."""

    checked: int = 0
    total: int = 0


@dataclass(frozen=True, slots=True)
class Looking:
    """How closely samples are looked at.

    Attributes:
        reader: the file.
        findings: where flaws go.
        count: what was done.
        is_whole: every sample and every slice, reading the whole of the essence.
    """

    reader: BoundedReader
    findings: Findings
    count: HeadCount
    is_whole: bool = False


def check_heads(
    looking: Looking,
    essence: Essence,
    samples: int,
    locate: Callable[[int], tuple[int, int]],
    unit_length_bytes: int = 0,
) -> None:
    """Look at the heads of one track's samples.

    Args:
        looking: how closely, and where flaws go.
        essence: what the samples should be.
        samples: how many there are.
        locate: gives (offset, size in bytes) of a sample by its number from 0.
        unit_length_bytes: size of the length before each unit of a sample; 0 where there is none.

    Raises:
        BudgetError: too much would have to be read.
        OSError: the medium could not be read.
    """
    if not has_checks(essence) or samples <= 0:
        return
    looking.count.total += samples
    for number in _chosen(samples, samples if looking.is_whole else HEADS_PER_TRACK):
        looking.reader.step()
        offset, size = locate(number)
        looking.count.checked += 1
        is_whole = looking.is_whole or (number == samples - 1 and size <= _LAST_BYTES)
        flaw = head_flaw(
            looking.reader,
            essence,
            offset,
            size,
            unit_length_bytes=unit_length_bytes,
            is_whole=is_whole,
        )
        if flaw is not None:
            text = f"picture {number + 1}: {flaw.text}"
            looking.findings.add(ClipCode.DAMAGED, "essence-head", text, flaw.offset)


def _chosen(samples: int, most: int) -> range | list[int]:
    if samples <= most:
        return range(samples)
    return sorted({at * (samples - 1) // (most - 1) for at in range(most)})
