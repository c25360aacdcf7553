"""``offload packing-list``: what is sent, as lists that go apart from the drives."""

import os
import threading
from typing import TYPE_CHECKING, Annotated

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from offload.jobs.packing import Packed

app = typer.Typer(rich_markup_mode=None, add_completion=False)

_SHOWN = 10


@app.command()
def packing_list(
    folders: Annotated[
        list[str],
        typer.Argument(metavar="FOLDER", help="A roll, or a folder or drive with rolls."),
    ],
    to: Annotated[
        str, typer.Option("--to", metavar="FOLDER", help="Where the lists go; made if missing.")
    ],
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Write a packing list of each roll, and one collection that names them all, signed.

    They are made from the records alone: no file is read and nothing is added to a history. Send
    them apart from the drives. Whoever gets the drives sees by them what never came:
    offload verify DRIVE --expect ascmhl_collection.xml

    A roll whose record is broken, unfinished, or not what was signed is refused, and nothing is
    written. Exit code 1 where a recorded file has no checksum that counts, and so is in no list.
    """
    from offload.cli.session import read_settings
    from offload.cli.verify import appending_for, tools_for
    from offload.cli.verify_run import VerifyRun
    from offload.jobs.packing import PackWish, pack
    from offload.transfer.counters import Progress

    found = read_settings(settings, {})
    progress = Progress()
    tools = tools_for(found, VerifyRun(progress, as_json=as_json), progress, threading.Event())
    wish = PackWish(
        tuple(os.path.abspath(os.fsencode(folder)) for folder in folders),
        os.path.abspath(os.fsencode(to)),
        appending_for(found),
    )
    packed = pack(wish, tools)
    if as_json:
        from offload.cli.result_json import line_of

        typer.echo(line_of(_object(packed)), nl=False)
    else:
        for line in _lines(packed):
            typer.echo(line)
    return packed.exit_code


def _lines(packed: "Packed") -> list[str]:
    from offload.clearance.words import counted
    from offload.values.paths import shown, to_text

    lines = []
    for each in packed.lists:
        size = f"{counted(each.files, 'file')}, {counted(each.generations, 'generation')}"
        lines.append(f"packing list  {to_text(each.roll)}: {size}")
        lines.append(f"              {to_text(each.manifest)}")
        for path in each.left_out[:_SHOWN]:
            lines.append(f"  NOT IN IT   {to_text(path)}: no checksum of it counts")
        if len(each.left_out) > _SHOWN:
            lines.append(f"  NOT IN IT   {len(each.left_out) - _SHOWN:,} more: see --json")
    lists = counted(len(packed.lists), "packing list")
    lines.append(f"collection    {lists}, signed by {shown(packed.identity)}")
    lines.append(f"              {to_text(packed.collection)}")
    lines.append("Made from the records alone; no file was read. Send these apart from the drives.")
    lines.append("Whoever gets the drives:  offload verify DRIVE --expect ascmhl_collection.xml")
    return lines


def _object(packed: "Packed") -> dict[str, object]:
    from offload.values.paths import shown, to_text

    lists = [
        {
            "roll": to_text(each.roll),
            "manifest": to_text(each.manifest),
            "files": each.files,
            "generations": each.generations,
            "left_out": [to_text(path) for path in each.left_out],
        }
        for each in packed.lists
    ]
    return {
        "type": "result",
        "collection": to_text(packed.collection),
        "signer": shown(packed.identity),
        "lists": lists,
    }
