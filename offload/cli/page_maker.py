"""Puts pages together: what the report says, in the words that other parts know how to write."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from offload.checksum import digest_text
from offload.jobs.paging import CopyPictures, last_timecode, write_into_records
from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.media.codec_names import codec_text
from offload.media.frame_rate import rate_text
from offload.report.clip_table import TABLE_MARK, clip_table
from offload.report.pages import PAGE_MARK, page_of_roll
from offload.report.roll_facts import Sources, roll_facts
from offload.report.spelling import Spellings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from offload.jobs.placing import Place
    from offload.values.findings import Finding

PAGE, TABLE = b".html", b".csv"
MARKS: Mapping[bytes, bytes] = {PAGE: PAGE_MARK, TABLE: TABLE_MARK}
"""How a file of ours begins, by suffix."""

SPELLINGS = Spellings(codec_text, rate_text, last_timecode, digest_text)


@dataclass(frozen=True, slots=True)
class RecordPages:
    """Writes a roll's page beside its record; handed to those that may not know the report.

    Attributes:
        ledger: has the verdict already.
    """

    ledger: Ledger

    def __call__(self, roll: int, places: "Sequence[Place]", made_ns: int) -> "list[Finding]":
        """Write page and table into ``records/ROLL`` on every drive.

        Args:
            roll: the roll's number in the ledger.
            places: of the drives, held.
            made_ns: now, nanoseconds since 1970.

        Returns:
            A notice for each drive that did not take them.

        Raises:
            LedgerError: what the ledger has of the roll is damaged.
        """
        sources = Sources(self.ledger, SPELLINGS)
        known = rolls.get(self.ledger, roll)
        facts = roll_facts(sources, known)
        page = page_of_roll(facts, sources, made_ns, known.name + TABLE.decode())
        made = {PAGE: page, TABLE: clip_table([facts], SPELLINGS)}
        return write_into_records(places, made, MARKS)


def sources_with_pictures(ledger: Ledger, pictures: CopyPictures) -> Sources:
    """What a page is made of at any later time: the ledger, and the copies that are there."""
    return Sources(ledger, SPELLINGS, find_picture=pictures.find)
