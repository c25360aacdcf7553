"""``offload rolls``: what the ledger knows."""

import json
from typing import Annotated

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)

_MOST = 200


@app.command()
def rolls(
    word: Annotated[
        str, typer.Argument(help="A roll, a card code or a label.", metavar="ROLL")
    ] = "",
    folders: Annotated[
        list[str] | None,
        typer.Option(
            "--from",
            metavar="FOLDER",
            help="A drive whose records are to be read into the ledger; once for each.",
        ),
    ] = None,
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """What the ledger knows of rolls: when they were copied, where the copies are, how it ended.

    A line here is history and no verdict: whether a card may be erased now, offload check says.

    With --from, after a ledger was lost: the rolls that are recorded on these drives come into the
    ledger again, with their copies and with the clearances that a known key has signed. Nothing is
    written to a drive and no copy is read: they are recorded, and not proven. Exit code 0 when all
    that was found could be read and fits, 1 when something does not, 3 when no folder could be
    looked through.
    """
    from offload.cli.roll_lines import known_roll, roll_lines
    from offload.cli.screen import Screen
    from offload.cli.session import read_settings
    from offload.errors import UsageError
    from offload.ledger.database import Ledger
    from offload.ledger.rolls import find, newest
    from offload.values.paths import shown

    if folders:
        from offload.cli.rolls_restored import restore

        return restore(folders, word, settings, as_json=as_json)
    screen = Screen()
    width = screen.width if screen.is_terminal else None
    with Ledger(read_settings(settings, {}).station.home) as ledger:
        found = find(ledger, word) if word else newest(ledger, _MOST)
        if word and not found:
            raise UsageError(
                f"the ledger knows no roll '{shown(word)}'",
                remedy="All rolls:  offload rolls",
            )
        for roll in found:
            known = known_roll(ledger, roll)
            if as_json:
                typer.echo(json.dumps(known))
            else:
                typer.echo("\n".join(roll_lines(known, width, is_whole=bool(word))))
    if not found and not as_json:
        typer.echo("No roll yet. The first one:  offload copy CARD --to DRIVE --to DRIVE")
    return 0
