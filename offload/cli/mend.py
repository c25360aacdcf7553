"""``offload mend``: a damaged copy put right from one that itself verifies."""

import os
import sys
import threading
from typing import Annotated

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def mend(
    folder: Annotated[
        str, typer.Argument(metavar="FOLDER", help="The copy to be mended: a roll or a drive.")
    ],
    source: Annotated[
        str,
        typer.Option("--from", metavar="OTHER", help="A copy that itself verifies; only read."),
    ],
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Put missing and damaged files of a copy back from another copy.

    Both copies are read whole and compared with their records. Good content is taken from OTHER
    wherever it lies there, read back from the drive, and only then takes the damaged file's place;
    the damaged one is kept beside the roll in ROLL.damaged. Nothing else is touched, and the next
    generation of the history says what was done.

    When OTHER does not verify either, nothing is touched, and for each file it is said which copy
    is good. Exit code 0 only when the copy is as recorded at the end.
    """
    from offload.cli.mend_view import mending_lines, mending_object
    from offload.cli.result_json import line_of
    from offload.cli.session import read_settings
    from offload.cli.stopping import stopping
    from offload.cli.styled_lines import show_lines
    from offload.cli.verify import appending_for, tools_for
    from offload.cli.verify_run import VerifyRun
    from offload.cli.verify_screen import pen_for
    from offload.jobs.mending import MendWish, mend_folder
    from offload.transfer.counters import Progress

    found = read_settings(settings, {})
    progress = Progress()
    view = VerifyRun(progress, as_json=as_json)
    stop = threading.Event()
    tools = tools_for(found, view, progress, stop)
    wish = MendWish(
        os.path.abspath(os.fsencode(folder)),
        os.path.abspath(os.fsencode(source)),
        appending_for(found),
    )
    result = view.watch(stopping(stop), lambda: mend_folder(wish, tools))
    if as_json:
        sys.stdout.write(line_of(mending_object(result)))
        sys.stdout.flush()
    else:
        show_lines(mending_lines(result, pen_for(sys.stdout)), sys.stdout)
    return result.exit_code
