"""Takes that were cut into several files at a size limit of the card's file system.

A file that ends within 64 MiB of 2 or 4 GiB goes on in the file with the next number. The limits
are those that file system vendors publish for FAT16 and FAT32; the names are common practice, no
source: ``C0001_01``, ``C0001_02`` for parts, or simply the next clip number.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from offload.media.numbered_names import Numbered, holes, part_number, range_text, trailing_number
from offload.values.clips import ClipCode, ClipFinding, Weight
from offload.values.entries import Entries
from offload.values.paths import name, parent

_LIMITS = (2**31, 2**32)
_NEAR_BYTES = 64 * 1024 * 1024
_CHECK = "parts"


def is_full(size_bytes: int) -> bool:
    """Whether a file ends where a file system's size limit would have cut it."""
    return any(limit - _NEAR_BYTES <= size_bytes <= limit for limit in _LIMITS)


def chains(entries: Entries, files: Iterable[int]) -> list[list[Numbered]]:
    """Files that continue each other, as (number, entry); a file alone is a chain of one.

    Args:
        entries: the inventory's entries.
        files: numbers of entries, all of one kind of file.
    """
    series: dict[tuple[bytes, bytes, bytes, bool], list[Numbered]] = defaultdict(list)
    found: list[list[Numbered]] = []
    for at in files:
        path = entries.path(at)
        stem, _dot, suffix = name(path).rpartition(b".")
        part = part_number(stem)
        numbered = part or trailing_number(stem)
        if numbered is None:
            found.append([(0, at)])
            continue
        before, number = numbered
        series[parent(path), before, suffix.lower(), part is not None].append((number, at))
    for (_folder, _before, _suffix, is_part), members in series.items():
        found += _chained(entries, sorted(members), is_part)
    return found


def _chained(entries: Entries, members: list[Numbered], is_part: bool) -> list[list[Numbered]]:
    runs: list[list[Numbered]] = []
    for number, at in members:
        if runs:
            last_number, last_at = runs[-1][-1]
            follows = number == last_number + 1 or (is_part and number > last_number)
            if follows and is_full(entries.size_bytes(last_at)):
                runs[-1].append((number, at))
                continue
        runs.append([(number, at)])
    return runs


def chain_findings(
    entries: Entries, chain: Sequence[Numbered], path: bytes
) -> tuple[ClipFinding, ...]:
    """Parts that are missing from one take.

    Args:
        entries: the inventory's entries.
        chain: (number, entry) of its files, sorted.
        path: the clip's path, for the findings.
    """
    found: list[ClipFinding] = []
    missing = holes(number for number, _at in chain)
    if len(chain) > 1 and part_number(_stem(entries, chain[0][1])) and chain[0][0] > 1:
        missing.insert(0, (1, chain[0][0] - 1))
    for first, last in missing:
        word = "part" if first == last else "parts"
        text = f"{word} {range_text(first, last)} missing"
        found.append(ClipFinding(ClipCode.PART_MISSING, text, path, check=_CHECK))
    if is_full(entries.size_bytes(chain[-1][1])):
        text = "its last file ends at a size limit; it may go on in a file that is not here"
        found.append(
            ClipFinding(ClipCode.PART_MISSING, text, path, weight=Weight.NOTICE, check=_CHECK)
        )
    return tuple(found)


def _stem(entries: Entries, at: int) -> bytes:
    return name(entries.path(at)).rpartition(b".")[0]
