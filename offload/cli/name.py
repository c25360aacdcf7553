"""``offload name``: what a roll is called, by a person's word."""

import threading
from typing import Annotated

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def name(
    roll: Annotated[str, typer.Argument(help="A roll, a card code or a mount point.")],
    new: Annotated[str, typer.Argument(help="The new name, such as A001.")],
    because: Annotated[str, typer.Option(help="Why; kept with the record.")],
    by: Annotated[str, typer.Option(help="Who; this computer's user where left out.")] = "",
    here_only: Annotated[
        bool,
        typer.Option("--here-only", help="Drives that are not here keep the old name."),
    ] = False,
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Name a roll, or mend a wrong name: on every drive, and the old name is kept in the record.

    Every copy is read again afterwards and the next generation of its history says so.
    """
    import getpass
    import json

    from offload.cli.ledger_words import one_roll
    from offload.cli.session import session
    from offload.cli.stopping import stopping
    from offload.cli.verify_run import VerifyRun
    from offload.jobs.renaming import RenameWish, rename_roll
    from offload.transfer.counters import Progress
    from offload.values.paths import shown, to_text

    with session(settings) as opened:
        found = one_roll(opened.ledger, roll)
        wish = RenameWish(
            found.roll,
            new,
            by or getpass.getuser(),
            because,
            opened.settings.checksums.use,
            here_only,
        )
        stop = threading.Event()
        view = VerifyRun(Progress(), as_json=as_json)
        tools = view.tools(opened, stop)
        done = view.watch(stopping(stop), lambda: rename_roll(wish, tools))
    is_good = all(copy.is_good for copy in done.copies)
    if as_json:
        copies = [
            {
                "drive": shown(copy.drive),
                "path": to_text(copy.path),
                "answer": copy.verification.answer.value,
                "reasons": list(copy.verification.reasons),
            }
            for copy in done.copies
        ]
        result = {"type": "result", "old": shown(done.old), "new": done.new, "copies": copies}
        typer.echo(json.dumps({**result, "left_out": [shown(each) for each in done.left_out]}))
        return 0 if is_good else 1
    typer.echo(f"{shown(done.old)} is {shown(done.new)} now.")
    for copy in done.copies:
        state = "read again, as recorded" if copy.is_good else "READ AGAIN, AND NOT AS RECORDED"
        typer.echo(f"  {shown(copy.drive):<12} {state}: {to_text(copy.path)}")
        if not copy.is_good:
            typer.echo(f"      {', '.join(copy.verification.reasons)}")
    for drive in done.left_out:
        typer.echo(f"  {shown(drive):<12} is not here and keeps the old name")
    return 0 if is_good else 1
