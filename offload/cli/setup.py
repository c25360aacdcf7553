"""``offload setup``: settings and key for a production, asked for one by one."""

import os
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from offload.cli.options import SETTINGS

if TYPE_CHECKING:
    from offload.cli.settings_edit import SettingsFile
    from offload.errors import OffloadError
    from offload.settings import Settings

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def setup(
    production: Annotated[str, typer.Option(help="The production's name.")] = "",
    drive: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=FOLDER", help="A drive; once for each."),
    ] = None,
    copies: Annotated[
        int | None, typer.Option(min=1, max=9, help="Proven copies before a card may be erased.")
    ] = None,
    folder: Annotated[str, typer.Option(help="Template of a roll's folder on every drive.")] = "",
    settings: SETTINGS = "",
) -> int:
    """Ask for production, drives, copies and folders; write the settings and make the key.

    What is in the settings file already is kept, comments too. In a terminal it asks for what the
    options leave open; without one it takes what is in force.
    """
    from offload.cli.session import identity, signing_key
    from offload.cli.settings_place import open_settings, save_settings, settings_path
    from offload.ledger.database import Ledger
    from offload.values.paths import to_text

    is_asking = sys.stdin.isatty()
    file = open_settings(settings)
    if is_asking:
        typer.echo("Just Enter takes what stands in brackets. All of it can be changed later.")
    _ask_plain(file, production, copies, folder, is_asking=is_asking)
    found = save_settings(file)
    for name, place in _drives_given(drive or ()):
        _add(file, found, name, place)
    if is_asking:
        _ask_drives(file, found)
    found = save_settings(file)
    with Ledger(found.station.home):
        key = signing_key(found)
    typer.echo(f"settings  {to_text(settings_path(settings))}")
    typer.echo(f"ledger    {to_text(found.station.home)}")
    typer.echo(f"key       {key.public.fingerprint}, signs as {identity()}")
    names = file.drive_names()
    typer.echo(f"drives    {', '.join(names) if names else 'none yet: offload drive add'}")
    if len(names) < found.copies.needed:
        typer.echo(
            f"  {found.copies.needed} copies on separate drives are asked for and {len(names)} "
            "are named: no card can be cleared before that.\n"
            "  DO  offload drive add NAME FOLDER"
        )
        return 1
    typer.echo("Ready. Watch for cards:  offload watch")
    return 0


def _ask_plain(
    file: "SettingsFile", production: str, copies: int | None, folder: str, *, is_asking: bool
) -> None:
    from offload.card.folder import checked_template

    if is_asking and not production:
        production = typer.prompt("Production", default=file.value("production", "name") or None)
    if production:
        file.set("production", "name", production)
    if is_asking and copies is None:
        before = file.value("copies", "needed") or 2
        copies = typer.prompt("Proven copies before a card may be erased", default=before, type=int)
    if copies is not None:
        file.set("copies", "needed", copies)
    if is_asking and not folder:
        before = file.value("cards", "folder") or "{production}/{day}/{roll}"
        folder = typer.prompt("Folder of a roll on every drive", default=before)
    if folder:
        file.set("cards", "folder", checked_template(folder))


def _drives_given(given: "list[str] | tuple[()]") -> list[tuple[str, str]]:
    from offload.errors import UsageError

    found = []
    for each in given:
        name, sign, place = each.partition("=")
        if not sign or not place:
            raise UsageError(
                f"'{each}' is no drive", remedy="Write --drive shuttle-1=/media/SHUTTLE1"
            )
        found.append((name, place))
    return found


def _add(file: "SettingsFile", found: "Settings", name: str, place: str) -> None:
    from offload.cli.drive_candidates import checked_candidate
    from offload.cli.session import surroundings
    from offload.cli.wishing import layouts_of
    from offload.ledger.database import Ledger

    if name in file.drive_names():
        # The same set-up twice is no mistake.
        return
    candidate = checked_candidate(place, surroundings(), found)
    with Ledger(found.station.home) as ledger:
        candidate.refuse_cards(ledger, layouts_of(found))
        candidate.refuse_taken_name(ledger, name)
    file.add_drive(name, volume=candidate.volume_id, path=candidate.path)
    typer.echo("\n".join(candidate.lines(name, _width())))


def _ask_drives(file: "SettingsFile", found: "Settings") -> None:
    """Show what is mounted and take drives until an empty answer."""
    from offload.cli.drive_candidates import candidate_lines, checked_candidate
    from offload.cli.session import surroundings
    from offload.errors import OffloadError
    from offload.ledger.database import Ledger

    with Ledger(found.station.home) as ledger:
        for line in candidate_lines(ledger, surroundings(), found, _width()):
            typer.echo(line)
    while True:
        asked = "Folder of a drive (just Enter: no more)"
        place = typer.prompt(asked, default="", show_default=False)
        if not place:
            return
        try:
            # What is none is told before it gets a name.
            checked_candidate(place, surroundings(), found)
            label = os.path.basename(place.rstrip("/")) or "drive"
            name = typer.prompt("Its name", default=label)
            _add(file, found, name, place)
        except OffloadError as error:
            _say(error)


def _say(error: "OffloadError") -> None:
    """An answer that cannot be taken; the question comes again."""
    from offload.cli.wrapping import advice, wrapped

    for line in wrapped(f"{error}.", _width(), "", "  "):
        typer.echo(line)
    if error.remedy:
        for line in advice(error.remedy, _width(), "  DO  ", "      "):
            typer.echo(line)


def _width() -> int | None:
    """Columns to write in; None for lines that are not broken."""
    from offload.cli.screen import Screen

    screen = Screen()
    return screen.width if screen.is_terminal else None
