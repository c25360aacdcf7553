"""``offload copy``: one card, start to finish, with the live view and then the verdict."""

import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from offload.cli.options import CARD, CHECKSUM, EXPECT, JSON, SETTINGS, TO

if TYPE_CHECKING:
    from offload.errors import OffloadError

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def copy(
    card: CARD = "",
    to: TO = None,
    roll: Annotated[str, typer.Option(help="The roll's name, such as A001.")] = "",
    copies: Annotated[
        int | None, typer.Option(min=1, max=9, help="Proven copies before the card may be erased.")
    ] = None,
    card_reads: Annotated[
        int | None,
        typer.Option(min=1, max=2, help="1 reads the card once only; the verdict says so."),
    ] = None,
    same_drive_ok: Annotated[
        bool,
        typer.Option(
            "--same-drive-ok",
            help="Let copies on one physical drive count; every verdict says so.",
        ),
    ] = False,
    missing: Annotated[
        bool,
        typer.Option(
            "--missing",
            help="After a check: only files that lack copies, to the drives that lack them.",
        ),
    ] = False,
    checksum: CHECKSUM = None,
    expect: EXPECT = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Copy a card to its drives, prove the copies, write the record, and say if it may be erased.

    CARD is where the card is mounted, its roll or its card code; without it, the one card that is
    mounted is taken. Drives come from the settings when --to is absent.

    The folder of a copy with its record beside it is copied to a further drive: compared with that
    record while it is read, and no word is said about any card.
    """
    from offload.cli.cards import find_card
    from offload.cli.receive import copy_further
    from offload.cli.run_view import RunView
    from offload.cli.session import session
    from offload.cli.sheet import read_sheet
    from offload.cli.stopping import stopping
    from offload.cli.wishing import wish_for
    from offload.jobs.missing import copy_missing
    from offload.jobs.offloading import offload_card
    from offload.jobs.volume_kind import is_copied_roll
    from offload.transfer.counters import Progress

    sheet = read_sheet(expect)
    with session(settings, _overrides(copies, card_reads, same_drive_ok, checksum)) as opened:
        path = find_card(opened, card)
        if is_copied_roll(path):
            if missing or roll or card_reads or expect:
                raise _for_cards(path)
            return copy_further(opened, path, tuple(to or ()), copies, as_json=as_json)
        _refuse_delivery(path)
        wish = wish_for(opened, path, tuple(to or ()), roll)
        wish = replace(wish, sheet=sheet)
        reads = 1 if missing else wish.policy.card_reads
        view = RunView(Progress(), as_json=as_json, heading=wish.production, card_reads=reads)
        stop = threading.Event()
        tools = view.tools(opened, stop)
        job = copy_missing if missing else offload_card
        outcome = view.watch(stopping(stop), lambda: job(wish, tools))
        view.show(outcome, is_check=missing)
        return 0 if outcome.verdict.is_cleared else 1


def _for_cards(path: bytes) -> "OffloadError":
    from offload.errors import UsageError
    from offload.values.paths import to_text

    return UsageError(
        "this is a copy of a roll; --missing, --roll, --card-reads and --expect are for cards",
        path=path,
        meaning="Nothing was read or written.",
        remedy=f"To copy it to a further drive:  offload copy {to_text(path)} --to DRIVE",
    )


def _refuse_delivery(path: bytes) -> None:
    """No card words are ever said of a delivery."""
    from offload.errors import UsageError
    from offload.jobs.volume_kind import is_delivery
    from offload.values.paths import to_text

    if is_delivery(path):
        raise UsageError(
            "this is a delivery: rolls with their records beside them, and no card",
            path=path,
            meaning="Nothing was read or written.",
            remedy=f"offload receive {to_text(path)}",
        )


def _overrides(
    copies: int | None, card_reads: int | None, same_drive_ok: bool, checksums: list[str] | None
) -> dict[str, Any]:
    options: dict[str, Any] = {}
    if checksums:
        options["checksums.use"] = checksums
    if copies:
        options["copies.needed"] = copies
    if card_reads:
        options["copies.card_reads"] = card_reads
    if same_drive_ok:
        options["copies.separate_drives"] = False
    return options
