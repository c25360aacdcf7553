"""What is signed: that one card may be erased, and everything this rests on.

The same statement, byte for byte, is written to every drive that it counts. It holds only together
with the same file on the others; alone it proves only the copy that it lies beside. Its bytes are
made by ``statement_json``; the form is described in ``clearance.schema.json``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from offload.clearance import decisions
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
class ManifestName:
    """One manifest: where it lies, relative to the copy, and the C4 ID of its bytes."""

    path: bytes
    c4: str


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
        descends_from: drive name -> name of the drive or delivery that its copy was made from, for
            copies that were not made from the card.
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
    descends_from: Mapping[str, str] = field(default_factory=dict)


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
    """One copy that counts, by name of its drive; all text is in its shown form."""

    drive: str
    path: str
    devices: tuple[str, ...]
    manifest: ManifestName | None
    read_back: ReadBack
    names_read: bool
    is_hand_made: bool
    descends_from: str


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
    )


def _text(occasion: Occasion, counting: list[CopySummary]) -> str:
    names = listed([copy.drive for copy in counting])
    card = f"Card {safe(occasion.roll)}, code {occasion.code},"
    if len(counting) == 1:
        return f"{card} may be erased in camera. Its only copy is the one on {names}."
    return (
        f"{card} may be erased in camera. This holds only together with the same file on each of "
        f"{counted(len(counting), 'drive')}: {names}. Alone it proves only the copy that it lies "
        "beside."
    )


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
        safe(occasion.descends_from.get(copy.drive, "")),
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
