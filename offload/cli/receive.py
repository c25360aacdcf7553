"""``offload receive``: a delivery, checked against its sender's record while it is copied."""

import os
import sys
import threading
from typing import TYPE_CHECKING, Annotated, Any

import typer

from offload.cli.options import CHECKSUM, JSON, SETTINGS, TO

if TYPE_CHECKING:
    from offload.cli.session import Session
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
    from offload.cli.receive_json import write_received
    from offload.cli.receive_view import ReceiveRun, received_lines
    from offload.cli.session import session
    from offload.cli.stopping import stopping
    from offload.cli.styled_lines import show_lines
    from offload.cli.verify_screen import pen_for
    from offload.jobs.receiving import receive as receive_delivery
    from offload.transfer.counters import Progress

    with session(settings, _overrides(copies, same_drive_ok, checksum)) as opened:
        asked = receive_wish(opened, os.fsencode(drive), tuple(to or ()), name, appends=append)
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
    from offload.errors import UsageError
    from offload.jobs.receiving import ReceiveWish

    drives = drive_wishes(opened, to)
    if not drives:
        raise UsageError(
            "no drive to copy to",
            meaning="Nothing was read or written.",
            remedy="offload receive DRIVE --to DRIVE --to DRIVE, or name drives in the settings; "
            "to check it only:  offload verify DRIVE",
        )
    wish = wish_for_drives(opened, os.path.abspath(delivery), drives, name)
    return ReceiveWish(wish, signers_for(opened.settings), appends)


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
