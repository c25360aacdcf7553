"""What came of reading the records on drives into the ledger, for people and as JSON."""

import json
import os
from collections.abc import Iterator, Sequence

import typer

from offload.clearance.shell import quoted
from offload.cli.amounts import count
from offload.cli.roll_lines import known_roll, roll_lines
from offload.cli.screen import Screen
from offload.cli.session import read_settings, surroundings
from offload.cli.verify import signers_for
from offload.cli.wrapping import wrapped, wrapped_command
from offload.errors import UsageError
from offload.jobs.recording import SIGNERS_NAME
from offload.jobs.restoring import MOST_FINDINGS, Restored, RestoreTools, RestoreWish, restore_rolls
from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.values.findings import Finding
from offload.values.paths import join, parent, shown, to_text

_INDENT = "      "


def restore(folders: Sequence[str], word: str, settings: str, *, as_json: bool) -> int:
    """``offload rolls --from FOLDER``.

    Returns:
        The exit code.

    Raises:
        UsageError: a roll is named as well, or a further folder without its option.
        LedgerError: the ledger cannot be written.
        RecordError: whose keys are known here cannot be read.
    """
    if word:
        raise UsageError(
            f"--from reads all that is recorded on a drive; '{shown(word)}' is too much",
            meaning="Nothing was read or written.",
            remedy="Name each drive by itself:  offload rolls --from FOLDER --from FOLDER",
        )
    found = read_settings(settings, {})
    names = {drive.volume: drive.name for drive in found.drives if drive.volume}
    paths = tuple(os.path.abspath(os.fsencode(folder)) for folder in folders)
    with Ledger(found.station.home) as ledger:
        tools = RestoreTools(ledger, signers_for(found), surroundings())
        restored = restore_rolls(RestoreWish(paths, names), tools)
        known = [known_roll(ledger, rolls.get(ledger, number)) for number in restored.rolls]
    if as_json:
        for each in (*known, *_objects(restored)):
            typer.echo(json.dumps(each))
    else:
        screen = Screen()
        width = screen.width if screen.is_terminal else None
        for each in known:
            typer.echo("\n".join(roll_lines(each, width, is_whole=False)))
        typer.echo("\n".join(_lines(restored, width)))
    if not restored.looked_through:
        return 3
    return 1 if restored.findings else 0


def _objects(restored: Restored) -> Iterator[dict[str, object]]:
    for kind, found in (("finding", restored.findings), ("notice", restored.notices)):
        for each in found:
            yield {
                "type": kind,
                "code": each.code,
                "text": each.text,
                "path": to_text(each.path),
            }
    yield {
        "type": "restored",
        "rolls": len(restored.rolls),
        "new": len(restored.new),
        "copies": restored.copies,
        "findings": len(restored.findings),
        "looked_through": restored.looked_through,
        "proven": False,
    }


def _lines(restored: Restored, width: int | None) -> Iterator[str]:
    if restored.rolls:
        yield from wrapped(_summary(restored), width, "", _INDENT)
    else:
        yield "Nothing came into the ledger."
    for each in restored.findings:
        yield from wrapped(_sentence(each), width, "  ", _INDENT)
        if each.code == "clearance-unknown-key":
            yield from _how_to_trust(each, width)
    if len(restored.findings) == MOST_FINDINGS:
        yield "  There may be more; these are the first."
    for each in restored.notices:
        yield from wrapped(_sentence(each), width, "  ", _INDENT)
    if restored.rolls:
        yield "  Whether the copies are still what was written down:  offload verify FOLDER"
        yield "  Whether a card may be erased now:  offload check CARD --read"


def _how_to_trust(finding: Finding, width: int | None) -> Iterator[str]:
    first, rest = f"{_INDENT}DO  ", f"{_INDENT}    "
    said = "compare the fingerprint with what its owner has; where it is the same"
    yield from wrapped(said, width, first, rest)
    signers = join(parent(finding.path), SIGNERS_NAME)
    words = [quoted(each) for each in (b"offload", b"key", b"trust", signers)]
    yield from wrapped_command([*words, "--as", "NAME"], width, rest, rest)
    yield from wrapped("and then the same command once more", width, rest, rest)


def _summary(restored: Restored) -> str:
    known = len(restored.rolls) - len(restored.new)
    before = f", {known:,} of them known before" if known else ""
    return (
        f"{count(len(restored.rolls), 'roll')} with {_copies(restored.copies)} recorded there"
        f"{before}. The ledger has what was written down; no copy was read, and none is proven."
    )


def _copies(number: int) -> str:
    return "1 copy" if number == 1 else f"{number:,} copies"


def _sentence(finding: Finding) -> str:
    return f"{finding.code}: {to_text(finding.path)}: {finding.text}."
