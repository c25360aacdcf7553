"""The page of a handover: plain text, from the ledger, to be signed and read by the next person."""

from collections.abc import Iterator
from datetime import datetime

from offload.cli.amounts import count, size
from offload.cli.status_view import drive_lines
from offload.ledger import copies, drives, rolls
from offload.ledger.database import Ledger
from offload.ledger.standing import Place
from offload.station.overview import CardLine, Overview
from offload.values.paths import shown, to_text
from offload.values.verdict import Answer

_ROLLS_SHOWN = 200
_COPIES_SHOWN = 100


def page_of(overview: Overview, ledger: Ledger, *, to: str, by: str, production: str) -> str:
    """The whole page.

    Args:
        overview: how everything stands.
        ledger: for rolls and what is on the drives.
        to: who takes over; may be empty.
        by: this station, as it signs.
        production: may be empty.
    """
    lines = [
        f"HANDOVER  {shown(production)}".rstrip(),
        f"written   {_at(overview.at_ns)} by {shown(by)}",
    ]
    if to:
        lines.append(f"to        {shown(to)}")
    lines += ["", *_open(overview)]
    lines += ["", "THE NEWEST ROLLS, WITH ROOT HASHES (xxh128 of the content)"]
    lines += _rolls(ledger)
    lines += ["", "DRIVES AND WHAT IS ON THEM"]
    lines += _drives(overview, ledger)
    lines += ["", "Whether a card may be erased now, only this says:  offload check CARD"]
    return "\n".join(lines) + "\n"


def _open(overview: Overview) -> Iterator[str]:
    out = [card for card in overview.cards if card.is_alarm]
    yield "CARDS THAT ARE OUT AND NOT PROVEN: DO NOT ERASE" if out else "No card is out unproven."
    for card in out:
        yield f"  {card.called}  {_facts(card)}, out since {_at(card.changed_ns)}"
    held = [
        card
        for card in overview.cards
        if card.place is Place.IN_READER and card.answer is not Answer.CLEARED
    ]
    yield ""
    yield "IN A READER AND NOT PROVEN" if held else "No card in a reader is unproven."
    for card in held:
        yield f"  {card.called}  {_facts(card)}"
        for hold in card.holds:
            yield f"      {hold.code}: {hold.text}"
            for at, way in enumerate(hold.remedy.splitlines()):
                yield f"      OR  {way.removeprefix('or ')}" if at else f"      DO  {way}"
    others = [card for card in overview.cards if card not in out and card not in held]
    yield ""
    yield "OTHER CARDS OF THE DAY"
    for card in others:
        where = "in the reader" if card.place is Place.IN_READER else "out"
        safe = f"was safe at {_at(card.safe_ns)}" if card.safe_ns else "was safe as it was listed"
        listed = ", and only listed since, not read" if card.is_listed_only else ""
        yield f"  {card.called}  {_facts(card)}, {where}, {safe}{listed}"
    if not others:
        yield "  none"


def _facts(card: CardLine) -> str:
    parts = [card.code, count(card.files, "file"), size(card.total_bytes)]
    return ", ".join(part for part in parts if part)


def _rolls(ledger: Ledger) -> Iterator[str]:
    found = rolls.newest(ledger, _ROLLS_SHOWN)
    for roll in found:
        root = roll.content_root.hex()
        yield f"  {shown(roll.name):<12} {roll.day}  {roll.code:<8} {_grouped(root)}"
        for change in rolls.names_before(ledger, roll.roll):
            was = f"was {shown(change.old)} until {_at(change.at_ns)}"
            yield f"      {was}: {shown(change.because)}"
    if not found:
        yield "  none"


def _grouped(root: str) -> str:
    """In groups of four, to be read out."""
    return " ".join(root[at : at + 4] for at in range(0, len(root), 4))


def _drives(overview: Overview, ledger: Ledger) -> Iterator[str]:
    for drive in overview.drives:
        yield from drive_lines(drive, None)
        known = drives.in_use(ledger, drive.name) if not drive.is_retired else None
        if known is None:
            continue
        seen: set[bytes] = set()
        for copy in copies.on_drive(ledger, known.drive, count=_COPIES_SHOWN):
            if copy.result.path not in seen and copy.result.proven_files:
                seen.add(copy.result.path)
                proven = count(copy.result.proven_files, "file")
                yield f"      {to_text(copy.result.path)}: {copy.result.stage.value}, {proven}"
    if not overview.drives:
        yield "  none"


def _at(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9).astimezone():%Y-%m-%d %H:%M:%S %z}"
