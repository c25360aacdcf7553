"""What is said of a delivery: never a word of a card's, and never more than was shown.

Every name and text from outside is escaped here.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from offload.clearance.origin import CopyName, copy_document
from offload.clearance.words import counted, listed, phrase, safe
from offload.jobs.receive_result import Received, ReceivedCopy, ReceivedRoll
from offload.jobs.verify_result import Answer, FileState
from offload.jobs.verify_sentences import Advice
from offload.values.facts import ReadBack
from offload.values.paths import to_text

WORDS = {
    Answer.AS_RECORDED: "AS SENT",
    Answer.DIFFERS: "NOT AS SENT",
    Answer.NOTHING_VERIFIED: "NOTHING SHOWS WHETHER IT IS AS SENT",
}
NOT_ENOUGH = "NOT ON ENOUGH DRIVES YET"
_READ = {
    ReadBack.DEVICE: "read back from it",
    ReadBack.SERVER: "read back from its server, whose word stands for its disks",
    ReadBack.CACHED: "not shown to have been read from it and not from memory",
    ReadBack.NONE: "not read back",
}


def first_words(found: Received) -> str:
    """The answer: whether it came as it was sent, and where that is not all, what is lacking."""
    words = WORDS[found.verification.answer]
    return words if found.is_copied else f"{words}, {NOT_ENOUGH}"


def headline(found: Received) -> str:
    """How much of it is safe on the station's own drives."""
    drives = sorted({copy.drive for roll in found.rolls for copy in roll.drives if copy.counts})
    if not found.rolls:
        return "Nothing of it could be copied."
    if found.is_copied:
        separate = "separate drive" if found.copies > 1 else "drive"
        least = "" if found.copies == len(drives) else "at least "
        back = {1: "it", 2: "both"}.get(len(drives), f"all {len(drives)}")
        return (
            f"Every byte that came is on {least}{counted(found.copies, separate)}, as it came, "
            f"and was read back from {back}."
        )
    short = [roll for roll in found.rolls if not roll.is_enough]
    of = counted(len(found.rolls), "roll")
    return f"Keep the delivery: {len(short)} of {of} {_is(len(short))} on too few drives."


def of_roll(roll: ReceivedRoll) -> str:
    """One roll, and where it is."""
    text = counted(roll.files, "file")
    if roll.is_as_sent:
        text += " as sent"
    where = [copy.drive for copy in roll.drives if copy.counts]
    here = [copy.drive for copy in roll.drives if copy.counts and copy.was_there]
    text += f", on {listed(where)}" if where else ", on no drive"
    if here:
        both = "" if len(here) == len(where) else f" on {listed(here)}"
        text += f"; was there already{both}: proven, nothing copied"
    if roll.folder and to_text(roll.folder).rpartition("/")[2] != safe(roll.roll):
        text += f"; came as {to_text(roll.folder)}"
    return f"{text}; what lay beside the rolls" if roll.is_rest else text


def of_drive(copies: Sequence[ReceivedCopy]) -> str:
    """All copies on one drive."""
    proven, files = sum(c.proven for c in copies), sum(c.files for c in copies)
    ways = {copy.read_back for copy in copies}
    weakest = next((way for way in _WEAK if way in ways), ReadBack.DEVICE)
    text = f"{proven:,} of {counted(files, 'file')} equal"
    if proven:
        text += f", {_READ[weakest]}"
    generations = sum(copy.generation > 0 for copy in copies)
    if generations:
        verified = sum(copy.verified for copy in copies)
        failed = sum(copy.failed for copy in copies)
        original = sum(copy.original for copy in copies)
        told = [f"{verified:,} verified"] if verified else []
        told += [f"{failed:,} failed"] if failed else []
        told += [f"{original:,} original"] if original else []
        text += f"; next generation signed on {counted(generations, 'roll')}"
        text += f" ({', '.join(told)})" if told else ""
    return text


_WEAK = (ReadBack.CACHED, ReadBack.SERVER)


def of_sent_files(state: FileState, count: int) -> Advice:
    """What is said of all files in one state that is not as it was sent, and what to do."""
    files, are = counted(count, "file"), _is(count)
    it = "it" if count == 1 else "them"
    match state:
        case FileState.DIFFERS:
            they = "it" if count == 1 else "they"
            return Advice(
                f"{files} {are} not what the sender wrote down; copied as {they} came.",
                f"keep the delivery, and ask the sender to send {it} again",
            )
        case FileState.MISSING:
            return Advice(
                f"{files} {are} in the sender's record and did not come.",
                f"ask the sender to send {it}",
            )
        case FileState.UNREADABLE:
            return Advice(
                f"{files} could not be read from the delivery.",
                "other cable, other port, then the same command; if it stays so, ask the sender "
                f"to send {it} again",
            )
        case FileState.CHANGED:
            return Advice(
                f"{files} changed while being read.",
                "close whatever writes to the delivery, then the same command",
            )
        case FileState.NOT_VERIFIABLE:
            return Advice(
                f"{files} {are} recorded in no form that can be checked.",
                "ask the sender for a checksum list in another algorithm",
            )
        case FileState.RENAMED:
            return Advice(
                f"{files} came under another name than the recorded one, the content as recorded.",
                "nothing is lost; ask the sender which name it is to have",
            )
        case FileState.CACHED:
            return Advice(
                f"{files} may have come from this computer's memory and not from the delivery.",
                "unplug it, plug it in again, then the same command",
            )
        case _:
            return Advice(f"{files} could not be read to the end.", "the same command once more")


def descents_of(roll: ReceivedRoll) -> Iterator[str]:
    """Which copies of a roll were made from which; one phrase for all that were made alike."""
    made: dict[CopyName, list[str]] = {}
    for copy in roll.drives:
        if copy.descends_from is not None:
            made.setdefault(copy.descends_from, []).append(copy.drive)
    for source, drives in made.items():
        copies = "the copy" if len(drives) == 1 else "the copies"
        descends = "descends" if len(drives) == 1 else "descend"
        yield (
            f"{safe(roll.roll)}: {copies} on {listed(drives)} {descends} from the copy on "
            f"{source.drive}: {source.path}, {to_text(source.manifest.path)}"
        )


def too_few(roll: ReceivedRoll) -> str:
    """A roll that is on too few drives, and why."""
    asked = counted(roll.needed, "separate drive" if roll.needed > 1 else "drive")
    have = f"on {counted(roll.copies, 'drive')}" if roll.copies else "whole on no drive"
    return f"{safe(roll.roll)} is {have}, and was to be on {asked}."


def whys(roll: ReceivedRoll) -> Iterator[str]:
    """Why copies of a roll do not count."""
    for copy in roll.drives:
        if copy.why_not:
            yield f"{safe(copy.drive)}: {phrase(copy.why_not)}"


def result_of_roll(found: Received, roll: ReceivedRoll) -> dict[str, Any]:
    """What the ledger keeps of one roll; keys as of a card's result, as far as they apply."""
    return {
        "type": "result",
        "received": found.verification.answer.value,
        "words": "AS SENT" if roll.is_as_sent else WORDS[found.verification.answer],
        "is_as_sent": roll.is_as_sent,
        "headline": headline(found),
        "delivery": safe(found.name),
        "roll": safe(roll.roll),
        "files": roll.files,
        "bytes": roll.total_bytes,
        "copies_counted": roll.copies,
        "holds": [],
        "notices": [],
        "copies": [copy_object(copy) for copy in roll.drives],
    }


def copy_object(copy: ReceivedCopy) -> dict[str, Any]:
    """One copy as plain data."""
    return {
        "drive": safe(copy.drive),
        "path": to_text(copy.folder),
        "verified": copy.proven,
        "files": copy.files,
        "read_back": copy.read_back.value,
        "counts": copy.counts,
        "why_not": phrase(copy.why_not),
        "was_there": copy.was_there,
        "generation": copy.generation,
        "generation_records": {
            "verified": copy.verified,
            "failed": copy.failed,
            "original": copy.original,
        },
        "not_recorded": phrase(copy.not_recorded),
        "descends_from": copy.descends_from and copy_document(copy.descends_from),
    }


def _is(count: int) -> str:
    return "is" if count == 1 else "are"
