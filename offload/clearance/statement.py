"""What is signed: that one card may be erased, and everything this rests on.

The same statement, byte for byte, is written to every drive that it counts. It holds only together
with the same file on the others; alone it proves only the copy that it lies beside. Its bytes are
made by ``statement_json``; the form is described in ``clearance.schema.json``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from offload.clearance import decisions
from offload.clearance.origin import CopyName, ManifestName, descents_text
from offload.clearance.words import counted, listed, phrase, safe
from offload.values.entries import Entries, Kind
from offload.values.facts import Facts, Policy, ReadBack
from offload.values.inventory import Inventory, inventory_digest
from offload.values.paths import to_text
from offload.values.verdict import CopySummary, Verdict

LISTED_FILES = 1000
"""Names of one list that are written out; the digest beside it covers the rest."""
LISTED_PATHS = 20
"""Paths of one notice that are written out."""


@dataclass(frozen=True, slots=True)
class CardName:
    """The volume, by hints that can all be copied; the content is what names a card.

    Attributes:
        label: of the file system.
        volume_id: UUID or serial number of the file system.
        file_system: the system's name for its kind.
        capacity_bytes: size of the file system, None where not told.
        mount_id: the mounting in which every byte was last read, as the system names it.
        boot_id: the start of the system in which ``mount_id`` means something.
    """

    label: str = ""
    volume_id: str = ""
    file_system: str = ""
    capacity_bytes: int | None = None
    mount_id: str = ""
    boot_id: str = ""


@dataclass(frozen=True, slots=True)
class StatedRollCopy:
    """One roll on one drive: its folder, relative to the drive's, and its newest manifest."""

    drive: str
    path: str
    manifest: ManifestName


@dataclass(frozen=True, slots=True)
class StatedRoll:
    """One roll of a recorder's card, which makes one each day; all text is in its shown form.

    Attributes:
        roll: its name.
        code: its card code: that of the card when it held this roll and nothing else.
        content: root hashes of its content; empty where it holds more than the card does now.
        files, total_bytes: of the card's files, those that are in this roll.
        beyond: how many files the roll holds that are not on the card any more.
        copies: where it lies, by drive.
    """

    roll: str
    code: str
    content: tuple[tuple[str, str], ...]
    files: int
    total_bytes: int
    beyond: int
    copies: tuple[StatedRollCopy, ...]


@dataclass(frozen=True, slots=True)
class Occasion:
    """What a statement needs that no verdict rests on.

    Attributes:
        roll: name of the roll.
        code: card code.
        production: as in the settings; may be empty.
        card: the volume.
        content: root hashes of the card's content by algorithm, in their standard text forms.
        manifests: by drive name; a drive whose copies were made by hand has none.
        descends_from: drive name -> the copy that its copy was made from, for copies that were not
            made from the card.
        rolls: of a recorder's card, the oldest first; none where the card is one roll.
        paths: drive name -> folder of the copy, bytes, relative to the drive's folder.
        started: when the offload began, aware.
        proven: when the last byte was proven, aware.
        written: when this is written, aware.
        version: of this program.
        key: the line of the public key that will sign.
    """

    roll: str
    code: str
    production: str
    card: CardName
    content: Mapping[str, str]
    manifests: Mapping[str, ManifestName]
    paths: Mapping[str, bytes]
    started: datetime
    proven: datetime
    written: datetime
    version: str
    key: str
    descends_from: Mapping[str, CopyName] = field(default_factory=dict)
    rolls: tuple[StatedRoll, ...] = ()


@dataclass(frozen=True, slots=True)
class Contents:
    """The inventory in figures; the digest names it exactly."""

    files: int
    folders: int
    links: int
    total_bytes: int
    digest: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What the computer put on the card and nobody copied.

    Attributes:
        files: the first of them: text form of the path, size in bytes.
        count: how many there are.
        total_bytes: of all of them.
        digest: inventory digest over all of them.
    """

    files: tuple[tuple[str, int], ...]
    count: int
    total_bytes: int
    digest: str


@dataclass(frozen=True, slots=True)
class StatedCopy:
    """One copy that counts, by name of its drive; all text is in its shown form.

    ``descends_from`` is the copy that it was made from; nothing where it was made from the card.
    """

    drive: str
    path: str
    devices: tuple[str, ...]
    manifest: ManifestName | None
    read_back: ReadBack
    names_read: bool
    is_hand_made: bool
    descends_from: CopyName | None


@dataclass(frozen=True, slots=True)
class StatedDecision:
    """A doubt that a person has settled."""

    code: str
    path: str
    checksum: bytes
    by: str
    because: str


@dataclass(frozen=True, slots=True)
class StatedNotice:
    """A finding that kept nothing; the first paths, and how many there were."""

    code: str
    text: str
    paths: tuple[str, ...]
    count: int


@dataclass(frozen=True, slots=True)
class Statement:
    """A clearance. All text from outside is in its shown form, so nothing in it can harm a screen.

    Attributes:
        text: what it says and how far it reaches, for whoever opens the file.
        headline: of the verdict.
        declarations: of the verdict.
        copies_counted: the smallest number of separate proven copies any file has.
        rolls: the card's rolls, where it has several or one holds more than the card; together they
            are all of it.
    """

    text: str
    headline: str
    declarations: tuple[str, ...]
    roll: str
    code: str
    production: str
    card: CardName
    contents: Contents
    content: tuple[tuple[str, str], ...]
    left_out: LeftOut
    policy: Policy
    copies_counted: int
    copies: tuple[StatedCopy, ...]
    settled: tuple[StatedDecision, ...]
    notices: tuple[StatedNotice, ...]
    started: datetime
    proven: datetime
    written: datetime
    version: str
    key: str
    rolls: tuple[StatedRoll, ...] = ()


def statement_of(facts: Facts, verdict: Verdict, occasion: Occasion) -> Statement:
    """The statement that this verdict allows.

    Raises:
        RuntimeError: the card is not cleared, or a copy that counts has no manifest and was not
            made by hand; the caller's own bug, and nothing may be written.
    """
    if not verdict.is_cleared:
        raise RuntimeError("a card that is held has no clearance")
    counting = [copy for copy in verdict.copies if copy.counts]
    return Statement(
        text=_text(occasion, counting),
        headline=verdict.headline,
        declarations=verdict.declarations,
        roll=safe(occasion.roll),
        code=occasion.code,
        production=safe(occasion.production),
        card=_card(occasion.card),
        contents=_contents(facts.inventory),
        content=tuple(sorted(occasion.content.items())),
        left_out=_left_out(facts.inventory.left_out),
        policy=_policy(facts.policy),
        copies_counted=verdict.copies_counted,
        copies=tuple(_copy(facts, copy, occasion) for copy in counting),
        settled=tuple(_settled(each) for each in decisions.settled(facts)),
        notices=_notices(verdict),
        started=_to_the_second(occasion.started),
        proven=_to_the_second(occasion.proven),
        written=_to_the_second(occasion.written),
        version=occasion.version,
        key=safe(occasion.key),
        rolls=_rolls(facts, counting, occasion),
    )


def _text(occasion: Occasion, counting: list[CopySummary]) -> str:
    names = listed([copy.drive for copy in counting])
    card = f"Card {safe(occasion.roll)}, code {occasion.code},"
    if occasion.rolls:
        rolls = listed([safe(roll.roll) for roll in occasion.rolls])
        card = f"Card {occasion.code}, whose files are in {rolls},"
    if len(counting) == 1:
        text = f"{card} may be erased in camera. Its only copy is the one on {names}."
    else:
        text = (
            f"{card} may be erased in camera. This holds only together with the same file on each "
            f"of {counted(len(counting), 'drive')}: {names}. Alone it proves only the copy that it "
            "lies beside."
        )
    sources = occasion.descends_from
    made = {safe(each.drive): sources[each.drive] for each in counting if each.drive in sources}
    return f"{text} {descents_text(made)}" if made else text


def _rolls(facts: Facts, counting: list[CopySummary], occasion: Occasion) -> tuple[StatedRoll, ...]:
    """The rolls, with the copies that count; every file of the card is in one of them."""
    if not occasion.rolls:
        return ()
    names = {safe(copy.drive) for copy in counting}
    rolls = tuple(
        replace(roll, copies=tuple(each for each in roll.copies if each.drive in names))
        for roll in occasion.rolls
    )
    if any({each.drive for each in roll.copies} != names for roll in rolls):
        raise RuntimeError("a copy that counts lacks the record of a roll")
    inventory = facts.inventory
    is_whole = sum(roll.files for roll in rolls) == inventory.file_count
    if not is_whole or sum(roll.total_bytes for roll in rolls) != inventory.total_bytes:
        raise RuntimeError("the rolls together are not the card")
    return rolls


def _to_the_second(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(microsecond=0)


def _card(card: CardName) -> CardName:
    return CardName(
        safe(card.label),
        safe(card.volume_id),
        safe(card.file_system),
        card.capacity_bytes,
        safe(card.mount_id),
        safe(card.boot_id),
    )


def _contents(inventory: Inventory) -> Contents:
    kinds = inventory.entries.kinds
    count = {kind: kinds.count(kind.value.encode()) for kind in Kind}
    return Contents(
        count[Kind.FILE],
        count[Kind.FOLDER],
        count[Kind.LINK],
        inventory.total_bytes,
        inventory.digest,
    )


def _left_out(entries: Entries) -> LeftOut:
    shown = entries[:LISTED_FILES]
    return LeftOut(
        tuple((to_text(entry.path), entry.size_bytes) for entry in shown),
        len(entries),
        sum(entry.size_bytes for entry in entries),
        inventory_digest(entries),
    )


def _policy(policy: Policy) -> Policy:
    pairs = frozenset(frozenset(map(safe, pair)) for pair in policy.declared_separate)
    return Policy(policy.copies_needed, policy.separate_drives, policy.card_reads, pairs)


def _copy(facts: Facts, copy: CopySummary, occasion: Occasion) -> StatedCopy:
    drive = next(each for each in facts.drives if each.name == copy.drive)
    manifest = occasion.manifests.get(copy.drive)
    if manifest is None and not drive.is_hand_made:
        raise RuntimeError("a copy that counts has no manifest")
    return StatedCopy(
        safe(copy.drive),
        to_text(occasion.paths.get(copy.drive, b"")),
        tuple(sorted(map(safe, drive.devices))),
        manifest,
        copy.read_back,
        copy.names_read,
        drive.is_hand_made,
        occasion.descends_from.get(copy.drive),
    )


def _settled(each: decisions.Settled) -> StatedDecision:
    decision = each.decision
    return StatedDecision(
        decision.code,
        to_text(decision.path),
        decision.checksum,
        safe(decision.by),
        safe(decision.because),
    )


def _notices(verdict: Verdict) -> tuple[StatedNotice, ...]:
    return tuple(
        StatedNotice(
            phrase(notice.code),
            phrase(notice.text),
            tuple(to_text(path) for path in notice.paths[:LISTED_PATHS]),
            len(notice.paths),
        )
        for notice in verdict.notices[:LISTED_FILES]
    )
