"""What was said of a roll's card, when, and what it rested on: history, and never permission.

A page outlives the mounting of the card, so it repeats no words that permit: it says when a card
was cleared, whether that clearance was voided since, and who can say more. Anything that the ledger
does not show in full counts as not cleared.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from enum import Enum
from typing import Any

from offload.ledger import clearances, offloads
from offload.ledger.clearances import Clearance
from offload.ledger.database import Ledger
from offload.ledger.offloads import Offload, State, Work
from offload.report.spelling import moment, phrase
from offload.values.verdict import Answer

MOST_HOLDS = 200
MOST_PATHS = 12
ASK = "Whether the card may be erased now, only a new check of the card in its reader can say."


class Standing(Enum):
    """How a roll's card stood when it was last judged."""

    CLEARED = "cleared"
    VOID = "void"
    """Cleared, and the clearance holds no longer or is not to be found."""
    HELD = "held"
    OPEN = "open"
    """No verdict, or a newer run without one."""
    RECEIVED = "received"
    """It came with a delivery, as it was sent; no card words apply to it."""
    RECEIVED_OTHERWISE = "received-otherwise"
    """It came with a delivery, and not as it was sent."""


@dataclass(frozen=True, slots=True)
class Point:
    """One hold or notice.

    Attributes:
        code: stable, kebab-case.
        text: what is the case.
        names: of the files concerned, some of them.
        more: how many further names there are.
        drives: concerned.
        details: further sentences.
        remedy: what to do; empty for a notice.
    """

    code: str
    text: str
    names: tuple[str, ...] = ()
    more: int = 0
    drives: tuple[str, ...] = ()
    details: tuple[str, ...] = ()
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class JudgedCopy:
    """What the verdict said of one drive.

    Attributes:
        drive: its name, as it is shown.
        folder: of the copy, as text.
        proven, files: how many files were proven, of how many.
        counts: it takes part in the copies counted.
        why_not: why it does not; empty where it does.
        manifest, manifest_c4: the newest manifest there; empty where there is none.
    """

    drive: str
    folder: str
    proven: int
    files: int
    counts: bool
    why_not: str
    manifest: str
    manifest_c4: str


@dataclass(frozen=True, slots=True)
class Said:
    """What was said of a roll's card.

    Attributes:
        standing: see there.
        answer: the first words.
        advice: what follows from it.
        headline: what the verdict rested on.
        run: the offload that it is about; None where there is none.
        clearance: C4 ID of the signed statement; empty where there is none.
        key: fingerprint of the key that signed it.
        card_reads: how often the card was read.
        declarations: what was declared and not proven.
        settled: what persons decided.
        holds, notices: in the verdict's order.
        copies: what it said of each drive.
    """

    standing: Standing
    answer: str
    advice: str
    headline: str = ""
    run: Offload | None = None
    clearance: str = ""
    key: str = ""
    card_reads: int = 0
    declarations: tuple[str, ...] = ()
    settled: tuple[str, ...] = ()
    holds: tuple[Point, ...] = ()
    notices: tuple[Point, ...] = ()
    copies: tuple[JudgedCopy, ...] = ()


def said_of(ledger: Ledger, roll: int, zone: tzinfo | None) -> Said:
    """What the ledger has of a roll's last verdict.

    Args:
        roll: the roll's number.
        zone: for moments; None for the machine's own.
    """
    runs = offloads.of_roll(ledger, roll)
    judged = next((run for run in runs if run.answer is not None), None)
    if judged is None or _is_open(runs, judged):
        return _open(runs, judged, zone)
    if judged.work is Work.REBUILT and not clearances.of_roll(ledger, roll):
        advice = "Keep the card. It is known from the record beside its copies alone, and no "
        advice += "clearance that counts here was among it."
        return Said(Standing.OPEN, "No verdict", advice, run=judged)
    signed = _clearance(ledger, roll, judged)
    standing, answer, advice = _words(judged, signed, zone)
    verdict = _Plain(judged.verdict)
    # A ledger that was built anew has the headline in its clearance alone.
    headline = verdict.text("headline") or (phrase(signed.given.headline) if signed else "")
    return Said(
        standing,
        answer,
        advice,
        headline,
        judged,
        signed.given.c4 if signed else "",
        signed.given.key if signed else "",
        0 if judged.work is Work.RECEIVE else judged.policy.card_reads,
        verdict.texts("declarations"),
        verdict.texts("settled"),
        tuple(_points(verdict, "holds")),
        tuple(_points(verdict, "notices")),
        tuple(_copies(verdict)),
    )


def _is_open(runs: Sequence[Offload], judged: Offload) -> bool:
    return any(run.offload > judged.offload and not run.state.is_over for run in runs)


def _open(runs: Sequence[Offload], judged: Offload | None, zone: tzinfo | None) -> Said:
    newest = runs[0] if runs else None
    if newest is None:
        advice = "Keep the card. No run of it is in the ledger."
    else:
        begun = moment(newest.started_ns, zone)
        step = "was stopped" if newest.state is State.STOPPED else f"came to {newest.state.value}"
        what = "delivery" if newest.work is Work.RECEIVE else "card"
        advice = f"Keep the {what}. The run begun {begun} {step}, and has not ended."
    if judged is not None:
        word = "cleared" if judged.answer is Answer.CLEARED else "held"
        advice += f" An earlier run, begun {moment(judged.started_ns, zone)}, ended {word}."
    return Said(Standing.OPEN, "No verdict", advice, run=newest)


def _clearance(ledger: Ledger, roll: int, judged: Offload) -> Clearance | None:
    if judged.answer is not Answer.CLEARED:
        return None
    found = clearances.of_roll(ledger, roll)
    return next((each for each in found if each.given.digest == judged.digest), None)


def _words(
    judged: Offload, signed: Clearance | None, zone: tzinfo | None
) -> tuple[Standing, str, str]:
    ended = moment(judged.ended_ns or judged.changed_ns, zone)
    if judged.work is Work.RECEIVE:
        return _received(judged, ended)
    if judged.answer is not Answer.CLEARED:
        return Standing.HELD, f"Held on {ended}", f"Keep the card. {ASK}"
    if signed is None:
        text = "The signed statement is not in the ledger"
        return Standing.VOID, f"{text}, {ended}", f"Keep the card. {ASK}"
    given = moment(signed.given.at_ns, zone)
    if signed.voided_ns is not None:
        since = moment(signed.voided_ns, zone)
        why = phrase(signed.voided_because) or "no reason was written down"
        advice = f"Void since {since}: {why}. Keep the card. {ASK}"
        return Standing.VOID, f"No longer cleared; it was on {given}", advice
    return Standing.CLEARED, f"Cleared on {given}", f"This page is a record of that moment. {ASK}"


def _received(judged: Offload, ended: str) -> tuple[Standing, str, str]:
    """A roll of a delivery; the words of cards are not for it."""
    verdict = _Plain(judged.verdict)
    words = verdict.text("words").lower() or "and not judged"
    name = verdict.text("delivery")
    advice = f"It came with the delivery {name}." if name else "It came with a delivery."
    if verdict.value("is_as_sent") is True:
        return Standing.RECEIVED, f"Received {words} on {ended}", advice
    return Standing.RECEIVED_OTHERWISE, f"Received {words} on {ended}", advice


def _points(verdict: "_Plain", key: str) -> Iterator[Point]:
    for each in verdict.parts(key)[:MOST_HOLDS]:
        if not (each.text("code") or each.text("text")):
            continue
        names = each.texts("paths")
        count = max(each.number("path_count"), len(names))
        yield Point(
            each.text("code"),
            each.text("text"),
            names[:MOST_PATHS],
            count - len(names[:MOST_PATHS]),
            each.texts("drives"),
            each.texts("details")[:MOST_PATHS],
            each.text("remedy"),
        )


def _copies(verdict: "_Plain") -> Iterator[JudgedCopy]:
    manifests = verdict.value("manifest")
    for each in verdict.parts("copies"):
        drive = each.text("drive")
        if not drive:
            continue
        manifest = _Plain(manifests.get(drive) if isinstance(manifests, Mapping) else None)
        yield JudgedCopy(
            drive,
            each.text("path"),
            each.number("verified"),
            each.number("files"),
            each.value("counts") is True,
            each.text("why_not"),
            manifest.text("path"),
            manifest.text("c4"),
        )


class _Plain:
    """A JSON object of which nothing is taken for granted; another program may have damaged it."""

    def __init__(self, value: Any) -> None:
        self._value: Mapping[str, Any] = value if isinstance(value, Mapping) else {}

    def value(self, key: str) -> Any:
        return self._value.get(key)

    def text(self, key: str) -> str:
        found = self.value(key)
        return phrase(found) if isinstance(found, str) else ""

    def texts(self, key: str) -> tuple[str, ...]:
        found = self.value(key)
        if not isinstance(found, list):
            return ()
        return tuple(phrase(each) for each in found if isinstance(each, str))

    def number(self, key: str) -> int:
        found = self.value(key)
        return found if isinstance(found, int) and not isinstance(found, bool) else 0

    def parts(self, key: str) -> list["_Plain"]:
        found = self.value(key)
        return [_Plain(each) for each in found] if isinstance(found, list) else []
