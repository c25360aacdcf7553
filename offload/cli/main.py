"""The program's commands; what ends them in words and an exit code is in ``failures``."""

import sys
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup

from offload.cli.streams import hold_standard_streams

EXIT_CODES = (
    "Exit codes: 0 cleared, or all is as it should be. 1 held, or something differs. 2 wrong "
    "usage or settings. 3 no verdict could be given. 130 stopped by the user."
)

# The module of each command is imported when it is called, so that the overview is there at once.
_COMMANDS = {
    "watch": "The station: every card that is put in is copied, proven, and answered.",
    "copy": "Copy a card to its drives, prove the copies, say if it may be erased.",
    "status": "Every card of the day and where it is, runs, holds, drives.",
    "check": "May this card be erased now?",
    "verify": "Check a copy or a delivery against its record, without the ledger.",
    "receive": "Check a delivery against its sender's record while it is copied.",
    "packing-list": "What is sent, roll by roll: lists to go apart from the drives.",
    "mend": "Put damaged and missing files of a copy back from a good one.",
    "rolls": "What the ledger knows of rolls and cards.",
    "clips": "The clips of a card, folder or roll, and what is wrong with them.",
    "page": "Look at a roll, a day or the production: one page to keep, print and pass on.",
    "plan": "Cards, drives and hours that a shoot needs.",
    "name": "Name a roll, or mend a wrong name, on every drive.",
    "settle": "Decide, by name and reason, that a doubt keeps a card no longer.",
    "handover": "One signed page for the next person; they take over with --take.",
    "setup": "Settings and key for a production, asked for one by one.",
    "drive": "Drives as things: list, add, rest, retire.",
    "key": "The key that signs the records.",
    "settings": "What is in force, and where each value comes from.",
}


class _Overview(TyperGroup):
    """Lists commands without importing them."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in _COMMANDS:
            return None
        module = import_module(f"offload.cli.{cmd_name.replace('-', '_')}")
        command = typer.main.get_command(module.app)
        command.name = cmd_name
        command.epilog = EXIT_CODES
        return command

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


app = typer.Typer(
    cls=_Overview,
    rich_markup_mode=None,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Copies media cards to separate drives, proves the copies by reading them back, and only "
    "then says that a card may be erased. It never writes to a card.",
    epilog=EXIT_CODES,
)


@app.callback()
def _root() -> None:
    """Every command has options of its own."""


def main() -> None:
    """Run a command and end the process with its exit code."""
    hold_standard_streams()
    from offload.cli.failures import told

    sys.exit(told(lambda: app(standalone_mode=False)))
