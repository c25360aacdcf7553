"""``offload clips``: the clips of a card, a folder or a roll, and what is wrong with them."""

import json
import os
import shutil
import sys
from typing import Annotated, Any

import typer

from offload.cli.options import EXPECT, JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def clips(
    what: Annotated[
        str,
        typer.Argument(
            help="A mounted card, a folder, or a roll by its name or card code.",
            metavar="CARD|FOLDER|ROLL",
        ),
    ] = "",
    expect: EXPECT = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """The clips: length, timecode, picture, sound, and what is wrong with each.

    A card or folder is looked into now, without copying anything; of a roll the ledger says what
    was found when it was copied. Ends with 1 when a clip is not whole or does not decode. This is
    about recordings and not about copies: whether a card may be erased, offload check says.
    """
    from offload.cli.clips_json import clip_object, result_object
    from offload.cli.clips_view import lines
    from offload.cli.session import session
    from offload.cli.sheet import read_sheet

    sheet = read_sheet(expect)
    with session(settings) as opened:
        table, heading = _table(opened, what, sheet)
    if as_json:
        for clip in table.clips:
            typer.echo(json.dumps(clip_object(clip)))
        typer.echo(json.dumps(result_object(table, heading)))
    else:
        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        for line in lines(table, heading, width):
            typer.echo(line)
    return 1 if table.holds else 0


def _table(opened: Any, what: str, sheet: Any) -> tuple[Any, str]:
    """The clips, and where they come from in a few words."""
    from offload.cli.cards import find_card
    from offload.cli.wishing import brief_of, layouts_of
    from offload.jobs.look_notices import Occasion
    from offload.jobs.look_table import clips_of_roll, look_at_folder
    from offload.ledger.rolls import find, newest
    from offload.media.numbering import KnownRoll
    from offload.values.paths import to_text

    production = opened.settings.production.name
    known = tuple(
        KnownRoll(each.name, each.code)
        for each in newest(opened.ledger)
        if each.production == production
    )
    occasion = Occasion(brief=brief_of(opened.settings), sheet=sheet, rolls=known)
    if what and not os.path.isdir(os.fsencode(what)):
        found = find(opened.ledger, what)
        if found:
            roll = _one(found, what)
            return clips_of_roll(opened.ledger, roll, occasion), f"as found when {roll.code} came"
    path = find_card(opened, what, "clips")
    layouts = layouts_of(opened.settings)
    table = look_at_folder(path, occasion, opened.surroundings, lambda: False, layouts)
    return table, f"looked into now: {to_text(path)}"


def _one(found: tuple[Any, ...], word: str) -> Any:
    """The roll that is meant."""
    from offload.errors import UsageError
    from offload.values.paths import shown

    if len(found) == 1:
        return found[0]
    codes = ", ".join(each.code for each in found[:8])
    raise UsageError(
        f"{len(found)} rolls are called '{shown(word)}': {codes}",
        remedy=f"Name one by its card code:  offload clips {found[0].code}",
    )
