"""``offload receive``: a delivery, checked against its sender's record while it is copied."""

import os
import sys
import threading
from typing import TYPE_CHECKING, Annotated, Any

import typer

from offload.cli.options import CHECKSUM, JSON, SETTINGS, TO

if TYPE_CHECKING:
    from offload.cli.session import Session
    from offload.errors import UsageError
    from offload.jobs.receiving import ReceiveWish

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def receive(
    drive: Annotated[
        str,
        typer.Argument(metavar="DRIVE", help="Where the delivery is mounted, or its folder."),
    ],
    to: TO = None,
    name: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="What the delivery is called; by its volume or folder when left out.",
        ),
    ] = "",
    append: Annotated[
        bool,
        typer.Option("--append", help="Write the next generation on the delivery itself, too."),
    ] = False,
    copies: Annotated[
        int | None, typer.Option(min=1, max=9, help="Separate drives that all of it is to be on.")
    ] = None,
    same_drive_ok: Annotated[
        bool,
        typer.Option("--same-drive-ok", help="Let copies on one physical drive count."),
    ] = False,
    checksum: CHECKSUM = None,
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Check a delivery against its sender's record and copy it to the drives, in one reading.

    Every roll of it is read once, compared with all that its sender wrote down, copied, read back
    from every drive, and its history goes on there with a signed generation. Nothing is written on
    the delivery without --append.

    Exit code 0 only when all of it came as it was sent and is on as many separate drives as the
    settings ask for.
    """
    from offload.cli.session import session

    with session(settings, _overrides(copies, same_drive_ok, checksum)) as opened:
        asked = receive_wish(opened, os.fsencode(drive), tuple(to or ()), name, appends=append)
        return _run(opened, asked, as_json=as_json)


def copy_further(
    opened: "Session",
    roll: bytes,
    to: tuple[str, ...],
    copies: int | None,
    *,
    as_json: bool,
) -> int:
    """Copy a roll that lies on a drive to further ones; the exit code.

    Args:
        opened: settings and ledger.
        roll: folder of a copy with its record beside it.
        to: drives; those of the settings that do not hold it, when none is named.
        copies: on how many of them; on each, when left out.
        as_json: one JSON object a line.

    Raises:
        UsageError: there is no drive to copy to.
    """
    from dataclasses import replace

    asked = receive_wish(opened, roll, to)
    drives = asked.wish.drives
    if not to:
        top = os.path.realpath(roll) + b"/"
        drives = tuple(
            each
            for each in drives
            if not (each.path and top.startswith(os.path.realpath(each.path).rstrip(b"/") + b"/"))
        )
    if not drives:
        raise _no_drive("copy", "FOLDER")
    policy = replace(asked.wish.policy, copies_needed=copies or max(1, len(drives)))
    wish = replace(asked.wish, drives=drives, policy=policy)
    return _run(opened, replace(asked, wish=wish, is_further=True), as_json=as_json)


def _run(opened: "Session", asked: "ReceiveWish", *, as_json: bool) -> int:
    from offload.cli.receive_json import write_received
    from offload.cli.receive_view import ReceiveRun, received_lines
    from offload.cli.stopping import stopping
    from offload.cli.styled_lines import show_lines
    from offload.cli.verify_screen import pen_for
    from offload.jobs.receiving import receive as receive_delivery
    from offload.transfer.counters import Progress

    view = ReceiveRun(Progress(), as_json=as_json, heading=opened.settings.production.name)
    stop = threading.Event()
    tools = view.tools(opened, stop)
    found = view.watch(stopping(stop), lambda: receive_delivery(asked, tools))
    if as_json:
        write_received(found, sys.stdout)
    else:
        pen = pen_for(sys.stdout)
        times = pen.text(view.times(), "  ", " " * 4)
        show_lines([*received_lines(found, pen), *times], sys.stdout)
    return found.exit_code


def receive_wish(
    opened: "Session",
    delivery: bytes,
    to: tuple[str, ...] = (),
    name: str = "",
    *,
    appends: bool = False,
) -> "ReceiveWish":
    """One delivery as the command, or the station, and the settings ask for it.

    Raises:
        UsageError: there is no drive to copy to.
        RecordError: the list of trusted keys cannot be read.
    """
    from offload.cli.verify import signers_for
    from offload.cli.wishing import drive_wishes, wish_for_drives
    from offload.jobs.receiving import ReceiveWish

    drives = drive_wishes(opened, to)
    if not drives:
        raise _no_drive("receive", "DRIVE")
    wish = wish_for_drives(opened, os.path.abspath(delivery), drives, name)
    return ReceiveWish(wish, signers_for(opened.settings), appends)


def _no_drive(command: str, what: str) -> "UsageError":
    from offload.errors import UsageError

    return UsageError(
        "no drive to copy to",
        meaning="Nothing was read or written.",
        remedy=f"offload {command} {what} --to DRIVE --to DRIVE, or name drives in the settings; "
        f"to check it only:  offload verify {what}",
    )


def _overrides(
    copies: int | None, same_drive_ok: bool, checksums: list[str] | None
) -> dict[str, Any]:
    options: dict[str, Any] = {}
    if checksums:
        options["checksums.use"] = checksums
    if copies:
        options["copies.needed"] = copies
    if same_drive_ok:
        options["copies.separate_drives"] = False
    return options
