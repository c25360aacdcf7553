"""The rolls of a recorder's card as they are found again, told and stated."""

from collections.abc import Iterator, Mapping

from offload.card.naming import UNNAMED
from offload.checksum import COMPARE
from offload.clearance.origin import ManifestName
from offload.clearance.statement import StatedRoll, StatedRollCopy
from offload.clearance.words import safe
from offload.jobs.card_rolls import CardRoll, Division
from offload.jobs.copied import Recorded
from offload.jobs.opening import HeldDrive
from offload.jobs.spread_places import SpreadDrives
from offload.jobs.stating import content_texts
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.values.entries import Entries, Kind
from offload.values.findings import Finding
from offload.values.inventory import card_code
from offload.values.paths import join, parent, shown, to_text


def folder_on(drive: HeldDrive, roll: CardRoll) -> bytes | None:
    """The folder that holds a roll on a drive, relative; None where it is not known to be there.

    Raises:
        OSError: the drive cannot be asked.
    """
    known = roll.folders.get(drive.name)
    if known is None:
        return None
    top = drive.root.path.rstrip(b"/") + b"/"
    if known.startswith(top):
        return parent(known[len(top) :])
    # Mounted somewhere else today; the folder lies as deep on it as before.
    parts = known.split(b"/")
    for depth in range(len(parts) - 1, 0, -1):
        tail = b"/".join(parts[-depth:])
        if drive.root.exists(tail):
            return parent(tail)
    return None


def division_notices(division: Division) -> Iterator[Finding]:
    """What a person has to know of a card whose files lie in several rolls."""
    names = ", ".join(_word(roll) for roll in division.rolls)
    yield Finding("several-rolls", f"the card holds {len(division.rolls)} rolls: {names}")
    for path in division.rewritten:
        text = "written anew by the recorder; earlier rolls keep the version they have"
        yield Finding("rewritten-on-card", text, path)
    if division.gone:
        text = f"{division.gone:,} files of earlier rolls are not on the card any more; "
        yield Finding("gone-from-card", text + "their copies stay as they are")


def _word(roll: CardRoll) -> str:
    """A new roll without a name is called by its code, and has none before it was read."""
    is_passing = roll.is_new and roll.name.startswith(UNNAMED)
    return "a new one without a name" if is_passing else shown(roll.name)


def stated_rolls(
    drives: SpreadDrives,
    entries: Entries,
    roots: Mapping[int, Mapping[str, bytes]],
    recorded: Mapping[str, Mapping[int, Recorded]],
) -> tuple[StatedRoll, ...]:
    """The rolls as a clearance names them.

    Args:
        drives: of the run.
        entries: of the card.
        roots: root hashes by position.
        recorded: by drive name, by position.
    """
    return tuple(
        _stated(drives, position, entries, roots.get(position, {}), recorded)
        for position in range(len(drives.rolls))
    )


def _stated(
    drives: SpreadDrives,
    position: int,
    entries: Entries,
    roots: Mapping[str, bytes],
    recorded: Mapping[str, Mapping[int, Recorded]],
) -> StatedRoll:
    roll = drives.rolls[position]
    copies = []
    name = roll.name
    for place in drives.active:
        made = recorded.get(place.name, {}).get(position)
        shelf = tuple(reversed(place.rolls))[position]
        name = shelf.roll.decode("utf-8", "surrogateescape")
        if made is not None:
            manifest = ManifestName(join(HISTORY_FOLDER, made.manifest), made.manifest_c4)
            copies.append(StatedRollCopy(safe(place.name), to_text(shelf.final), manifest))
    files = [number for number in roll.numbers if entries.kind(number) is Kind.FILE]
    code = drives.codes[position] or (card_code(roots[COMPARE]) if COMPARE in roots else "")
    return StatedRoll(
        safe(name),
        code,
        # Of a roll that holds more than the card, the card does not tell the whole content.
        () if roll.gone else tuple(sorted(content_texts(roots).items())),
        len(files),
        sum(entries.size_bytes(number) for number in files),
        len(roll.gone),
        tuple(copies),
    )
