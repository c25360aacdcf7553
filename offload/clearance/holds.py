"""The closed table of holds: everything that can keep a card, in the order of mending.

The order: what was asked for; the card itself, since a card read anew makes all else new; the
drives; their copies; the record; then what no copying mends. A hold that a person may settle is a
doubt about a recording. Nothing about bytes can be settled (design, decision 10).

In a sentence ``{files}`` and ``{drives}`` stand for grouped names, ``{is}``, ``{was}``, ``{has}``
agree with the files and ``{d_is}`` with the drives, ``{needed}`` is the number of copies asked for
and ``{takes}`` the time of a full reading, with a comma before it or empty.
"""

from dataclasses import dataclass
from enum import Enum


class Deed(Enum):
    """The command that goes with a remedy. The value is how the table shows it."""

    NONE = ""
    COPY = "offload copy CARD"
    PROVE = "offload check CARD --read"
    LOOK = "offload check CARD"
    ADD_DRIVE = "offload copy CARD --to GOOD-DRIVE --to DRIVE"
    SAME_DRIVE = "offload copy CARD --same-drive-ok"
    MEND = "offload mend COPY --from GOOD-COPY"
    SETTLE = "offload settle CARD CODE CLIP --by NAME --because TEXT"


@dataclass(frozen=True, slots=True)
class Remedy:
    """One thing that may mend a hold: words, and the command after them."""

    words: str
    deed: Deed = Deed.NONE


@dataclass(frozen=True, slots=True)
class HoldKind:
    """A row of the table.

    Attributes:
        code: kebab-case, stable.
        sentence: what is wrong, one sentence; a template.
        remedies: what to do, the best first; templates.
        is_settleable: whether a person may decide by name and reason.
        of_finished: instead of ``remedies`` for a copy that bears its roll's name, or (for a copy
            with further names) was made by this program; none where that makes no difference.
    """

    code: str
    sentence: str
    remedies: tuple[Remedy, ...]
    is_settleable: bool = False
    of_finished: tuple[Remedy, ...] = ()


_ADD_DRIVE = Remedy("give a drive of its own for it:", Deed.ADD_DRIVE)
_LET_SAME = Remedy("let copies on one drive count; every verdict will say so:", Deed.SAME_DRIVE)
_WRITE_ANEW = Remedy("use another cable or port; what is wrong is written anew:", Deed.COPY)
_OF_FINISHED = (
    # The one that mends whatever has gone wrong there; a drive that has lost bytes may lose more.
    Remedy(
        "a finished copy is never written over: use another drive in its place:", Deed.ADD_DRIVE
    ),
    Remedy(
        "if you trust the drive and the record on it is whole, put the copy right from a good one, "
        "then copy again:",
        Deed.MEND,
    ),
)
_SETTLE = Remedy("decide that it may go, with name and reason, clip by clip:", Deed.SETTLE)
_IN_CAMERA = Remedy(
    "play it in the camera; if the camera mends it, that writes to the card: bring it back, then",
    Deed.COPY,
)


def _clip(code: str, sentence: str, first: Remedy = _IN_CAMERA) -> HoldKind:
    return HoldKind(code, sentence, (first, _SETTLE), is_settleable=True)


HOLDS: tuple[HoldKind, ...] = (
    # What was asked for.
    HoldKind(
        "policy-too-low",
        "Fewer than one copy, or fewer than one reading of the card, was asked for.",
        (Remedy("set needed and card_reads to at least 1 in the settings, then", Deed.COPY),),
    ),
    # The card.
    HoldKind(
        "card-gone",
        "The card is not in the reader, so nothing can be said of what is on it now.",
        (Remedy("put it in, then prove it anew{takes}:", Deed.PROVE),),
    ),
    HoldKind(
        "card-was-away",
        "The card left the reader after it was last read in full, and a listing does not show "
        "what its bytes are.",
        (Remedy("prove it anew{takes}:", Deed.PROVE),),
    ),
    HoldKind(
        "not-listed",
        "{files} on the card could not be listed, so nobody knows what is in there.",
        (Remedy("see that you may read the card, or use another reader, then", Deed.COPY),),
    ),
    HoldKind(
        "card-changed",
        "What is on the card now is not what was read.",
        (Remedy("let nothing write to it; what is new is copied and proven:", Deed.COPY),),
    ),
    HoldKind(
        "listed-twice",
        "The card lists {files} twice, and of two files with one name only one can be read.",
        (Remedy("leave the card as it is; try another reader or computer, then", Deed.COPY),),
    ),
    HoldKind(
        "inner-mount",
        "Another file system is mounted inside the card at {files}, and what the card has there "
        "was not read.",
        (Remedy("unmount what is mounted inside the card, then", Deed.COPY),),
    ),
    HoldKind(
        "nothing-to-prove",
        "There is no recording on this card that could be proven.",
        (Remedy("see in the camera whether this is the right card, then", Deed.LOOK),),
    ),
    HoldKind(
        "not-copied",
        "{files} {is} not a file (a pipe, a socket or a device) and cannot be copied.",
        (Remedy("no camera writes such a thing; have the card looked at, then", Deed.LOOK),),
    ),
    HoldKind(
        "unreadable-on-card",
        "{files} could not be read from the card.",
        (Remedy("clean the contacts, use another reader and cable, then", Deed.COPY),),
    ),
    HoldKind(
        "readings-differ",
        "{files} came off the card differently when read twice, so reader, cable or card is "
        "failing.",
        (Remedy("use another reader and cable, then", Deed.COPY),),
    ),
    HoldKind(
        "changed-on-card",
        "{files} changed on the card while or after it was read.",
        (Remedy("stop whatever writes to the card, then", Deed.COPY),),
    ),
    HoldKind(
        "card-not-read",
        "{files} {has} not been read from the card.",
        (Remedy("read the card and prove the copies{takes}:", Deed.COPY),),
    ),
    HoldKind(
        "card-read-cached",
        "{files} may have come from this computer's memory and not from the card.",
        (Remedy("take the card out, put it in again, then", Deed.PROVE),),
    ),
    HoldKind(
        "facts-incomplete",
        "What is written down about {files} is incomplete or contradicts itself.",
        (Remedy("prove card and copies from the beginning{takes}:", Deed.PROVE),),
    ),
    HoldKind(
        "unknown-finding",
        "Something was found on {files} that this version cannot judge.",
        (Remedy("use the version that found it, or prove anew with this one:", Deed.PROVE),),
    ),
    # The drives.
    HoldKind(
        "drive-is-card",
        "{drives} {d_is}, or once was, a card, and cards get erased.",
        (_ADD_DRIVE,),
    ),
    HoldKind(
        "drive-on-card",
        "{drives} {d_is} on the same device as the card, and erasing takes both.",
        (_ADD_DRIVE,),
    ),
    HoldKind(
        "ram-drive",
        "{drives} {d_is} in this computer's memory and gone when it is switched off.",
        (_ADD_DRIVE,),
    ),
    HoldKind(
        "drive-unknown",
        "Nothing shows on what device {drives} {d_is}, so it may be one that the card or another "
        "copy is on.",
        (
            Remedy("plug it in without a hub or enclosure for several drives, then", Deed.COPY),
            Remedy(
                "if you know it, write declared_separate_from into its settings, then", Deed.COPY
            ),
            _LET_SAME,
        ),
    ),
    HoldKind(
        "shared-drive",
        "{drives} {d_is} on a shared physical device, and one fault takes all that is on it.",
        (_ADD_DRIVE, _LET_SAME),
    ),
    HoldKind(
        "drive-away",
        "{drives} {d_is} not there now.",
        (Remedy("plug in {drives}, then", Deed.COPY),),
    ),
    HoldKind(
        "server-not-accepted",
        "Only the server behind {drives} says that the copies are written.",
        (
            _ADD_DRIVE,
            Remedy('if its word may count, set accept = "server" for it, then', Deed.COPY),
        ),
    ),
    # The copies.
    HoldKind(
        "copy-failed",
        "{files} could not be written to {drives}.",
        (_WRITE_ANEW,),
    ),
    HoldKind(
        "copy-differs",
        "{files} on {drives} {is} not the same as on the card: the drive may be failing, or "
        "smaller than it claims.",
        (_WRITE_ANEW, _ADD_DRIVE),
        of_finished=_OF_FINISHED,
    ),
    HoldKind(
        "copy-unreadable",
        "{files} could not be read back from {drives}.",
        (_WRITE_ANEW, _ADD_DRIVE),
        of_finished=_OF_FINISHED,
    ),
    HoldKind(
        "drive-suspect",
        "{drives} gave back wrong bytes, and until that is mended nothing on it counts.",
        (_WRITE_ANEW, _ADD_DRIVE),
        of_finished=_OF_FINISHED,
    ),
    HoldKind(
        "copy-changed",
        "{files} changed on {drives} after proving.",
        (Remedy("stop whatever writes there, then", Deed.COPY),),
    ),
    HoldKind(
        "copy-not-own",
        "{files} on {drives} {is} only another name of a copy that is counted already.",
        (Remedy("a copy needs bytes of its own; they are written beside it:", Deed.COPY),),
        of_finished=(
            Remedy("remove their other names on that drive, then", Deed.COPY),
            Remedy("use another drive in its place:", Deed.ADD_DRIVE),
        ),
    ),
    HoldKind(
        "copy-fleeting",
        "{files} on {drives} {is} in a trash, snapshot or unfinished folder and may go any time.",
        (Remedy("a copy in a place that lasts is written:", Deed.COPY),),
    ),
    HoldKind(
        "too-few-copies",
        "{files} {is} on fewer than {needed} drives that count.",
        (
            Remedy(
                "other cable, plug the drive in, make room or move what is in the way, then",
                Deed.COPY,
            ),
            _ADD_DRIVE,
        ),
    ),
    HoldKind(
        "copy-not-read",
        "{files} {has} not been read back from {drives}.",
        (Remedy("read it back{takes}:", Deed.COPY),),
    ),
    HoldKind(
        "copy-cached",
        "{files} may have come from this computer's memory and not from {drives}.",
        (
            Remedy(
                "unplug {drives}, plug it in again; if proving does not go on by itself:", Deed.COPY
            ),
        ),
    ),
    # The record.
    HoldKind(
        "record-not-written",
        "The record could not be written to {drives}.",
        (
            Remedy(
                "make room there, lift its write protection or move what is in the way, then",
                Deed.COPY,
            ),
            _ADD_DRIVE,
        ),
    ),
    HoldKind(
        "ledger-not-written",
        "The ledger could not take down what was proven.",
        (Remedy("make room where the ledger lies, then", Deed.COPY),),
    ),
    # What no copying mends.
    HoldKind(
        "left-out-footage",
        "What is left out as the computer's own has something in it that may be a recording.",
        (Remedy("keep the card and have those files copied by hand; no word is given for it"),),
    ),
    HoldKind(
        "left-out-too-large",
        "The computer's own files, which are not copied, take more than 16 MiB on this card.",
        (Remedy("keep the card as it is and have those files looked at; no word is given for it"),),
    ),
    HoldKind(
        "sent-differs",
        "{files} {is} not what the sender's or recorder's own list says: the fault was there "
        "before this offload.",
        (
            Remedy("use another reader, then", Deed.COPY),
            Remedy("keep the card and ask who recorded it; no word is given for it"),
        ),
    ),
    _clip("clip-empty", "{files} {has} nothing in it that means anything."),
    _clip(
        "clip-unfinished",
        "{files} {was} never closed by the camera.",
        Remedy(
            "the camera can often close it, but writes to the card: let it, bring the card back, "
            "then",
            Deed.COPY,
        ),
    ),
    _clip("clip-cut-short", "{files} {is} shorter than the recording says."),
    _clip("clip-damaged", "The parts of {files} contradict each other."),
    _clip("clip-zeros", "{files} {has} zeros where pictures should be."),
    _clip("clip-counts-differ", "{files} {has} more or fewer frames than it says."),
    _clip(
        "clip-part-missing",
        "Parts of {files} are not on the card.",
        Remedy("look for the missing part on the cards before and after; copy what you find"),
    ),
    _clip("clip-undecodable", "{files} {has} pictures or sound that do not decode."),
    _clip(
        "clip-unchecked",
        "Nobody could look into {files}: the check itself failed.",
        Remedy("play it in the camera, then check it again:", Deed.COPY),
    ),
)
"""All of them. A row's place in this table is its place in the order of mending."""

PLACES = {kind.code: place for place, kind in enumerate(HOLDS, 1)}
"""Code to place, from 1."""


def kind_of(code: str) -> HoldKind:
    """The row of a code.

    Raises:
        KeyError: the table has no such row; the caller's own bug.
    """
    return HOLDS[PLACES[code] - 1]


def is_settleable(code: str) -> bool:
    """Whether a person may settle holds of this code; False for a code that does not exist."""
    return code in PLACES and kind_of(code).is_settleable


_IN_TABLE = {
    "files": "FILES",
    "drives": "DRIVES",
    "is": "is",
    "was": "was",
    "has": "has",
    "d_is": "is",
    "needed": "N",
    "takes": "",
}


def holds_table() -> str:
    """The table in Markdown, for the developers' page: one row a hold, in the order of mending."""
    rows = [
        "| # | code | says | to mend it | a person may settle it |",
        "|---|---|---|---|---|",
    ]
    for place, kind in enumerate(HOLDS, 1):
        says = kind.sentence.format_map(_IN_TABLE)
        mend = "; or ".join(_in_table(remedy) for remedy in kind.remedies)
        if kind.of_finished:
            finished = "; or ".join(_in_table(remedy) for remedy in kind.of_finished)
            mend += f"; where the copy is finished: {finished}"
        may = "yes" if kind.is_settleable else "no"
        rows.append(f"| {place} | `{kind.code}` | {says} | {mend} | {may} |")
    return "\n".join(rows) + "\n"


def _in_table(remedy: Remedy) -> str:
    words = remedy.words.format_map(_IN_TABLE)
    return f"{words} `{remedy.deed.value}`" if remedy.deed.value else words
