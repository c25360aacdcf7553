"""``offload check``: may this card be erased now?"""

import os
import threading
from collections.abc import Sequence
from typing import Annotated

import typer

from offload.cli.options import CARD, JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def check(
    card: CARD = "",
    folders: Annotated[
        list[str] | None,
        typer.Option(
            "--in", metavar="FOLDER", help="Where copies made by hand may lie; once for each."
        ),
    ] = None,
    read: Annotated[
        bool, typer.Option("--read", help="Read the card and every copy anew before answering.")
    ] = False,
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """May this card be erased now? Nothing is copied, and nothing is written to the card.

    A card that was offloaded before is compared with the ledger and the drives that are there; a
    listing can only say no, so once the card has been away --read proves it anew. With --in, or
    when nothing is known of the card, every file is looked for by content, renamed or not, in the
    folders given or on every mounted volume. What counts as separate comes from the settings alone.
    """
    from offload.cli.cards import find_card
    from offload.cli.checking import Checker, is_read
    from offload.cli.run_view import RunView
    from offload.cli.session import session
    from offload.cli.stopping import stopping
    from offload.cli.wishing import policy_of
    from offload.errors import UsageError
    from offload.jobs.volume_kind import is_copied_roll
    from offload.transfer.counters import Progress
    from offload.values.paths import to_text

    with session(settings) as opened:
        path = find_card(opened, card, "check")
        if is_copied_roll(path):
            raise UsageError(
                "this is a copy of a roll with its record beside it, and no card",
                path=path,
                meaning="Nothing was read.",
                remedy=f"To check the copy:  offload verify {to_text(path)}",
            )
        view = RunView(Progress(), as_json=as_json)
        stop = threading.Event()
        tools = view.tools(opened, stop)
        checker = Checker(opened, tools, path, policy_of(opened.settings))
        outcome = view.watch(
            stopping(stop), lambda: checker.answer(_absolute(folders or ()), always_read=read)
        )
        view.show(outcome, is_check=checker.is_by_content and is_read(outcome.facts))
        return 0 if outcome.verdict.is_cleared else 1


def _absolute(folders: Sequence[str]) -> tuple[bytes, ...]:
    return tuple(os.path.abspath(os.fsencode(folder)) for folder in folders)
