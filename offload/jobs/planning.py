"""What the ledger can tell a plan: how large this production's clips are, how fast offloads ran."""

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

from offload.ledger import clips, copies, inventories, offloads, rolls
from offload.ledger.database import Ledger
from offload.ledger.offloads import Offload, State, Work
from offload.media.plan import Speeds
from offload.media.rates import MeasuredClip
from offload.values.verdict import Answer

MOST_ROLLS = 200
"""Rolls whose clips are measured, the newest first."""
MOST_OFFLOADS = 20
_LEAST_BYTES = 10**9
"""A smaller offload says more about starting and ending than about the drives."""
_NO_LIMIT = 10**15


@dataclass(frozen=True, slots=True)
class MeasuredPace:
    """How fast whole offloads ran on this station, copying and proving together.

    Attributes:
        bytes_per_s: the median; bytes of the card by seconds from start to verdict.
        offloads: how many were measured.
    """

    bytes_per_s: int
    offloads: int


def own_clips(ledger: Ledger, production: str) -> Iterator[MeasuredClip]:
    """The clips of the newest rolls of a production; of all rolls where it has no name.

    Raises:
        LedgerError: a clip is damaged.
    """
    left = MOST_ROLLS
    for roll in rolls.newest(ledger):
        if production and roll.production != production:
            continue
        for clip in clips.of_roll(ledger, roll.roll):
            yield MeasuredClip(clip.probed.facts, clip.total_bytes)
        left -= 1
        if not left:
            return


def measured_pace(ledger: Ledger) -> MeasuredPace | None:
    """The pace of the last offloads that copied a whole card; None where there is none yet.

    Only runs that ended cleared are measured, and none that went on with another or found most of
    the card on the drives already.
    """
    found: list[float] = []
    for run in offloads.started_since(ledger, 0):
        pace = _pace(ledger, run)
        if pace is not None:
            found.append(pace)
        if len(found) == MOST_OFFLOADS:
            break
    return MeasuredPace(round(median(found)), len(found)) if found else None


def speeds_of_pace(pace: MeasuredPace, card_reads: int) -> Speeds:
    """Speeds at which copying and proving, one after the other, come to a measured pace.

    How the time was shared between the passes is not kept; their sum is.
    """
    each = pace.bytes_per_s * 2
    runs = "1 offload" if pace.offloads == 1 else f"{pace.offloads} offloads"
    return Speeds(each, each, each, _NO_LIMIT, card_reads, f"measured in {runs} of this station")


def given_speeds(card: int | None, drive: int | None, card_reads: int) -> Speeds | None:
    """Speeds as a person gives them; what is left out sets no limit. None when both are."""
    if card is None and drive is None:
        return None
    slowest = drive or _NO_LIMIT
    return Speeds(card or _NO_LIMIT, slowest, slowest, _NO_LIMIT, card_reads, "given")


def _pace(ledger: Ledger, run: Offload) -> float | None:
    is_plain = run.work is Work.COPY and run.continues is None and run.state is State.ENDED
    if not is_plain or run.answer is not Answer.CLEARED or run.ended_ns is None:
        return None
    size = inventories.describe(ledger, run.inventory).total_bytes
    elapsed_s = (run.ended_ns - run.started_ns) / 1e9
    if size < _LEAST_BYTES or elapsed_s <= 0 or not _wrote_all(ledger, run, size):
        return None
    return size / elapsed_s


def _wrote_all(ledger: Ledger, run: Offload, size: int) -> bool:
    """Whether every drive of the run got most of the card in it."""
    found = copies.of_offload(ledger, run.offload)
    return bool(found) and all(copy.result.written_bytes >= size * 9 // 10 for copy in found)
