"""Puts pages together: what the report says, in the words that other parts know how to write."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from offload.checksum import digest_text
from offload.errors import OffloadError
from offload.jobs.paging import CopyPictures, last_timecode, write_into_records
from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.media.codec_names import codec_text
from offload.media.frame_rate import rate_text
from offload.report.clip_table import TABLE_MARK, clip_table
from offload.report.pages import PAGE_MARK, page_of_roll
from offload.report.roll_facts import Sources, roll_facts
from offload.report.spelling import Spellings
from offload.values.findings import Finding
from offload.values.paths import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from offload.jobs.placing import Place

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

        A page is never worth a verdict, so whatever goes wrong comes back as a notice.

        Args:
            roll: the roll's number in the ledger.
            places: of the drives, held.
            made_ns: now, nanoseconds since 1970.
        """
        try:
            made = self._made(roll, made_ns)
        except Exception as error:  # noqa: BLE001  # the word was said already; nothing takes it back
            what = str(error) if isinstance(error, OffloadError) else type(error).__name__
            return [Finding("page-not-written", f"the page could not be made: {shown(what)}")]
        return write_into_records(places, made, MARKS)

    def _made(self, roll: int, made_ns: int) -> dict[bytes, bytes]:
        sources = Sources(self.ledger, SPELLINGS)
        known = rolls.get(self.ledger, roll)
        facts = roll_facts(sources, known)
        page = page_of_roll(facts, sources, made_ns, known.name + os.fsdecode(TABLE))
        return {PAGE: page, TABLE: clip_table([facts], SPELLINGS)}


def sources_with_pictures(ledger: Ledger, pictures: CopyPictures) -> Sources:
    """What a page is made of at any later time: the ledger, and the copies that are there."""
    return Sources(ledger, SPELLINGS, find_picture=pictures.find)
