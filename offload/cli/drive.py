"""``offload drive``: drives as things: listed, taken into use, put to rest, retired."""

import json
from typing import Annotated

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(
    rich_markup_mode=None,
    add_completion=False,
    no_args_is_help=True,
    help="Drives as things: what is free on them, what went wrong, which are in use.",
)

NAME = Annotated[str, typer.Argument(help="The drive's name, such as shuttle-1.")]


@app.command("list")
def list_drives(settings: SETTINGS = "", as_json: JSON = False) -> int:
    """All drives: room and when it runs out at today's pace, busy or not there, faults, retired.

    Mounted volumes that could be drives and are none yet are shown below them.
    """
    from offload.cli.drive_candidates import candidate_lines
    from offload.cli.screen import Screen
    from offload.cli.session import read_settings, surroundings
    from offload.cli.status import day_began_ns, drive_object
    from offload.cli.status_view import drive_lines
    from offload.ledger.database import Ledger
    from offload.station.overview import read_overview

    found = read_settings(settings, {})
    machine, screen = surroundings(), Screen()
    width = screen.width if screen.is_terminal else None
    with Ledger(found.station.home) as ledger:
        drives = read_overview(ledger, machine, found.drives, day_began_ns(found)).drives
        for drive in drives:
            if as_json:
                typer.echo(json.dumps({"type": "drive", **drive_object(drive)}))
            else:
                typer.echo("\n".join(drive_lines(drive, width)))
        if not as_json and (lines := list(candidate_lines(ledger, machine, found, width))):
            typer.echo("\n".join([*lines, "  DO  offload drive add NAME FOLDER"]))
    return 0


@app.command()
def add(
    name: NAME,
    folder: Annotated[str, typer.Argument(help="Where it is mounted, or a folder on it.")],
    settings: SETTINGS = "",
) -> int:
    """Take a drive into use: it gets a copy of every card from now on.

    A drive given by its mount point is recognised by its volume id wherever it is mounted later.
    """
    from offload.cli.drive_candidates import checked_candidate
    from offload.cli.screen import Screen
    from offload.cli.session import read_settings, surroundings
    from offload.cli.settings_place import open_settings, save_settings
    from offload.cli.wishing import layouts_of
    from offload.ledger.database import Ledger

    file = open_settings(settings)
    found = save_settings(file) if file.is_new else read_settings(settings, {})
    candidate = checked_candidate(folder, surroundings(), found)
    with Ledger(found.station.home) as ledger:
        candidate.refuse_cards(ledger, layouts_of(found))
        candidate.refuse_taken_name(ledger, name)
    file.add_drive(name, volume=candidate.volume_id, path=candidate.path)
    save_settings(file)
    screen = Screen()
    width = screen.width if screen.is_terminal else None
    typer.echo("\n".join(candidate.lines(name, width)))
    return 0


@app.command()
def retire(name: NAME, settings: SETTINGS = "") -> int:
    """Take a drive out of use for good, such as a full one: it keeps what is on it.

    Cards that waited for it go on with the drives that are left.
    """
    from offload.cli.drive_candidates import known_name, refuse_busy
    from offload.cli.session import read_settings, surroundings
    from offload.cli.settings_place import open_settings, save_settings
    from offload.ledger import drives
    from offload.ledger.database import Ledger
    from offload.values.paths import shown

    found = read_settings(settings, {})
    machine = surroundings()
    with Ledger(found.station.home) as ledger:
        known_name(ledger, found, name)
        refuse_busy(ledger, name)
        file = open_settings(settings)
        if file.remove_drive(name):
            save_settings(file)
        used = drives.in_use(ledger, name)
        if used is not None:
            drives.retire(ledger, used.drive, machine.now_ns())
    typer.echo(f"{shown(name)} is retired. What is on it stays; it gets no more copies.")
    return 0


@app.command()
def rest(name: NAME, settings: SETTINGS = "") -> int:
    """Write everything to a drive, unmount it, and say when it may be unplugged."""
    from offload.cli.drive_candidates import known_name, refuse_busy, volume_of_drive
    from offload.cli.session import read_settings, surroundings
    from offload.ledger.database import Ledger
    from offload.values.paths import shown, to_text
    from offload.volumes.eject import unmount

    found = read_settings(settings, {})
    machine = surroundings()
    with Ledger(found.station.home) as ledger:
        known_name(ledger, found, name)
        refuse_busy(ledger, name)
        volume = volume_of_drive(ledger, found, machine, name)
    done = unmount(volume)
    if done.still_mounted:
        places = ", ".join(to_text(place) for place in done.still_mounted)
        typer.echo(
            f"{shown(name)} is unmounted. DO NOT UNPLUG IT YET: on the same disk there is still "
            f"{places} mounted."
        )
        return 1
    typer.echo(f"{shown(name)} is at rest: all is written and it is unmounted. Unplug it.")
    return 0
