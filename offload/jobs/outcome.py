"""What a job gives back when it has come to a verdict."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from offload.clearance.context import Context
from offload.clearance.origin import CopyName
from offload.clearance.statement import StatedRoll
from offload.jobs.clearing import Published
from offload.jobs.copied import Recorded
from offload.values.facts import Facts
from offload.values.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that may be said of one card when a job has ended.

    Attributes:
        verdict: the answer.
        facts: what it rests on.
        context: names for its sentences.
        card: where the card is mounted.
        label: the card's label, raw.
        clearance: what was published; nothing when the card is held.
        recorded: by drive name.
        started_at, ended_at: with zone.
        rolls: of a recorder's card, the oldest first; none where the card is one roll.
        descends_from: as the clearance says it: drive name -> the copy that its copy was made from,
            for copies that were not made from the card.
    """

    verdict: Verdict
    facts: Facts
    context: Context
    card: bytes
    label: str
    clearance: Published | None
    recorded: Mapping[str, Recorded]
    started_at: datetime
    ended_at: datetime
    rolls: tuple[StatedRoll, ...] = ()
    descends_from: Mapping[str, CopyName] = field(default_factory=dict)
