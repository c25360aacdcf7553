"""``offload verify``: a copy, or anything that arrived, against what is written down about it."""

import os
import sys
import threading
from typing import TYPE_CHECKING, Annotated

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from offload.cli.run_view import RunView
    from offload.jobs.verifying import Appending, VerifyTools
    from offload.record.signers import Signers
    from offload.settings import Settings
    from offload.transfer.counters import Progress
    from offload.volumes.volume import Volume

app = typer.Typer(rich_markup_mode=None, add_completion=False)

FOLDER = Annotated[
    str, typer.Argument(metavar="FOLDER", help="A roll, a drive, or any folder with records.")
]


@app.command()
def verify(
    folder: FOLDER,
    append: Annotated[
        bool, typer.Option("--append", help="Write the next generation of every history, signed.")
    ] = False,
    begin: Annotated[
        bool,
        typer.Option(
            "--begin", help="Begin a history: read every file, write the first generation, signed."
        ),
    ] = False,
    expect: Annotated[
        str,
        typer.Option(metavar="FILE", help="A collection or packing list of what should be here."),
    ] = "",
    receipt: Annotated[
        bool,
        typer.Option("--receipt", help="Give the number that confirms a whole copy by telephone."),
    ] = False,
    against_receipt: Annotated[
        str, typer.Option(metavar="VALUE", help="Compare a number that was read out.")
    ] = "",
    names_only: Annotated[
        bool,
        typer.Option("--names-only", help="Compare names alone; read no file, verify nothing."),
    ] = False,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="PATH", help="A file or folder in FOLDER; may come again."),
    ] = None,
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Check a copy, or anything that arrived, against what is written down about it.

    Finds every history, stand-alone manifest, checksum list and bag below FOLDER, reads every
    recorded file once, from the drive and not from memory, and says what is as recorded, what
    differs, what is missing and what was renamed. The ledger is not used. Nothing is written
    without --append or --begin.

    With --begin a folder without a history gets one: every file is read once and written down as
    it is now. That proves nothing of what was there before. Histories below get their next
    generation first; checksum lists and manifests are checked in the same reading. It is refused
    on cards, and where a history is already.

    With --names-only no file is read: it lists what is recorded and not there, and what is there
    and recorded by nobody, and says nothing of what is in the files.

    With --only no other file is read, and nothing is said of the copy as a whole; with --append
    the new generation then has these files alone.

    Exit code 0 only when everything recorded was read and is as recorded; with --names-only, when
    everything recorded is there by name; with --only, when the chosen files are as recorded;
    with --begin, when every file was written down and nothing recorded before says otherwise.
    """
    from offload.cli.session import read_settings
    from offload.cli.stopping import stopping
    from offload.cli.styled_lines import show_lines
    from offload.cli.verify_json import write_verification
    from offload.cli.verify_run import VerifyRun
    from offload.cli.verify_screen import pen_for
    from offload.cli.verify_view import verification_lines
    from offload.jobs.verifying import VerifyWish, verify_folder
    from offload.transfer.counters import Progress

    found = read_settings(settings, {})
    progress = Progress()
    view = VerifyRun(progress, as_json=as_json)
    stop = threading.Event()
    tools = tools_for(found, view, progress, stop)
    path = os.path.abspath(os.fsencode(folder))
    whole = {"--expect": expect, "--receipt": receipt, "--against-receipt": against_receipt}
    if begin:
        others = {"--append": append, **whole, "--names-only": names_only, "--only": only}
        refuse_beside_begin(others)
        return begin_in(path, found, tools, view, stop, as_json=as_json)
    if names_only:
        from offload.cli.names_view import run_names_only

        asked = {"--append": append, **whole, "--only": only}
        refuse_beside("--names-only reads no file", asked)
        return run_names_only(path, tools, view, stopping(stop), as_json=as_json)
    if only:
        from offload.cli.part_view import run_part
        from offload.jobs.verify_part import PartWish

        refuse_beside("--only leaves files unread", whole)
        appending = appending_for(found) if append else None
        part = PartWish(path, tuple(os.fsencode(each) for each in only), appending)
        return run_part(part, tools, view, stopping(stop), as_json=as_json)
    wish = VerifyWish(
        path,
        appending_for(found) if append else None,
        os.path.abspath(os.fsencode(expect)) if expect else b"",
        with_receipt=receipt,
        against_receipt=against_receipt,
    )
    result = view.watch(stopping(stop), lambda: verify_folder(wish, tools))
    if as_json:
        write_verification(result, sys.stdout)
    else:
        show_lines(verification_lines(result, pen_for(sys.stdout)), sys.stdout)
    return result.answer.exit_code


def begin_in(
    folder: bytes,
    settings: "Settings",
    tools: "VerifyTools",
    view: "RunView",
    stop: threading.Event,
    *,
    as_json: bool,
) -> int:
    """Begin a history."""
    from offload.cli.begin_view import run_begin
    from offload.cli.stopping import stopping
    from offload.jobs.verify_beginning import BeginWish

    wish = BeginWish(folder, appending_for(settings))
    return run_begin(wish, tools, view, stopping(stop), as_json=as_json)


def refuse_beside_begin(asked: "Mapping[str, object]") -> None:
    """Say that a history that begins has nothing yet that other options could go by.

    Args:
        asked: option -> what was given for it, if anything.

    Raises:
        UsageError: one of them was given.
    """
    from offload.errors import UsageError

    found = [option for option, given in asked.items() if given]
    if found:
        raise UsageError(
            f"--begin reads a whole folder that has no history, so {' and '.join(found)} cannot "
            "stand beside it",
            meaning="Nothing was read and nothing was written.",
            remedy="Leave one of them out.",
        )


def refuse_beside(why: str, asked: "Mapping[str, object]") -> None:
    """Say that some options rest on what is not read.

    Args:
        why: what is not read, and by which option.
        asked: option -> what was given for it, if anything.

    Raises:
        UsageError: one of them was given.
    """
    from offload.errors import UsageError

    found = [option for option, given in asked.items() if given]
    if found:
        raise UsageError(
            f"{why}, and {' and '.join(found)} rests on what was read",
            meaning="Nothing was compared and nothing was written.",
            remedy="Leave one of them out.",
        )


def tools_for(
    settings: "Settings", view: "RunView", progress: "Progress", stop: threading.Event
) -> "VerifyTools":
    """What a verification works with, beside what is asked of it."""
    from offload.cli.session import surroundings
    from offload.cli.wishing import layouts_of
    from offload.jobs.card_volumes import is_card_volume
    from offload.jobs.verifying import VerifyTools

    def is_card(volume: "Volume") -> bool:
        return is_card_volume(volume, layouts_of(settings), lambda it: _was_card(it, settings))

    return VerifyTools(
        signers_for(settings), surroundings(), progress, view.take, stop.is_set, is_card
    )


def _was_card(volume: "Volume", settings: "Settings") -> bool:
    from offload.jobs.arriving import hints_of_volume
    from offload.ledger import cards
    from offload.ledger.database import Ledger

    if not volume.volume_id:
        return False
    with Ledger(settings.station.home) as ledger:
        return bool(cards.find_by_hints(ledger, hints_of_volume(volume)))


def signers_for(settings: "Settings") -> "Signers":
    """Whom this station believes, itself included.

    Raises:
        RecordError: the list of keys cannot be read.
    """
    from offload.cli.session import identity
    from offload.jobs.verify_trust import own_public_key, read_trusted, with_own_key

    home = settings.station.home
    own = own_public_key(home, settings.station.key)
    return with_own_key(read_trusted(home), own, identity())


def appending_for(settings: "Settings") -> "Appending":
    """That the next generation is signed by this station."""
    from offload.cli.session import identity, signing_key
    from offload.jobs.verifying import Appending

    return Appending(signing_key(settings), identity(), settings.checksums.use)
