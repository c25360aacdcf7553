"""Clips of rolls: what was found in them, for pages, planning and searching later."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from offload.ledger.columns import plain, whole
from offload.ledger.database import Ledger, Row
from offload.ledger.documents import from_document, to_document
from offload.ledger.faults import damaged
from offload.values.clips import Answers, ClipFinding, ClipKind
from offload.values.paths import name, to_text
from offload.values.probed import Picture, Probed

MOST = 1000
"""No list of clips of several rolls is longer."""

MOST_PICTURE_BYTES = 1 << 16
"""A larger picture is not kept: ten thousand rolls have half a million clips."""


@dataclass(frozen=True, slots=True)
class KeptClip:
    """A clip of a roll.

    Attributes:
        path: names the clip; relative to the card.
        kind: how its files belong together.
        files: how many they are.
        total_bytes: their sum.
        answers: to the four questions.
        probed: what looking into it gave; without its picture, see :func:`picture`.
        findings: from grouping, structure check, brief, sound and numbering.
    """

    path: bytes
    kind: ClipKind
    files: int
    total_bytes: int
    answers: Answers = field(default_factory=Answers)
    probed: Probed = field(default_factory=Probed)
    findings: tuple[ClipFinding, ...] = ()


@dataclass(frozen=True, slots=True)
class FoundClip:
    """A clip that a search found.

    Attributes:
        roll: number of its roll.
        clip: the clip.
    """

    roll: int
    clip: KeptClip


def keep(ledger: Ledger, roll: int, found: Iterable[KeptClip]) -> None:
    """Write clips of a roll down; what was known of the same path is replaced."""
    with ledger.writing():
        for clip in found:
            picture = clip.probed.picture
            bare = replace(clip, probed=replace(clip.probed, picture=None))
            ledger.change(
                "INSERT INTO clips (roll, name, path, files, bytes, about)"
                " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (roll, path) DO UPDATE SET"
                " files = excluded.files, bytes = excluded.bytes, about = excluded.about",
                (
                    roll,
                    plain(to_text(name(clip.path))),
                    clip.path,
                    clip.files,
                    whole(clip.total_bytes),
                    to_document(bare),
                ),
            )
            if picture is not None and len(picture.jpeg) <= MOST_PICTURE_BYTES:
                ledger.change(
                    "INSERT OR REPLACE INTO pictures (clip, width, height, jpeg)"
                    " SELECT id, ?, ?, ? FROM clips WHERE roll = ? AND path = ?",
                    (picture.width, picture.height, picture.jpeg, roll, clip.path),
                )


def of_roll(ledger: Ledger, roll: int) -> tuple[KeptClip, ...]:
    """All clips of a roll, by path; frames of a sequence are one clip.

    Raises:
        LedgerError: one of them is damaged.
    """
    rows = ledger.rows("SELECT roll, about FROM clips WHERE roll = ? ORDER BY path", (roll,))
    return tuple(_found(ledger, row).clip for row in rows)


def picture(ledger: Ledger, roll: int, path: bytes) -> Picture | None:
    """The picture of a clip, where one was kept."""
    row = ledger.row(
        "SELECT jpeg, width, height FROM pictures WHERE clip ="
        " (SELECT id FROM clips WHERE roll = ? AND path = ?)",
        (roll, path),
    )
    return Picture(*row) if row else None


def find(ledger: Ledger, beginning: str) -> tuple[FoundClip, ...]:
    """Clips of any roll whose file name begins like this, letter by letter; by name.

    Raises:
        LedgerError: one of them is damaged.
    """
    first = plain(beginning)
    # The end of the range is the last character that there is, so that the index serves it.
    rows = ledger.rows(
        "SELECT roll, about FROM clips WHERE name >= ? AND name < ? ORDER BY name LIMIT ?",
        (first, first + "\U0010ffff", MOST),
    )
    return tuple(_found(ledger, row) for row in rows)


def _found(ledger: Ledger, row: Row) -> FoundClip:
    try:
        return FoundClip(row[0], from_document(KeptClip, row[1]))
    except ValueError as error:
        raise damaged(ledger.path, f"a clip of roll {row[0]}") from error
