"""Arguments and options that several commands share."""

from typing import Annotated

import typer

CARD = Annotated[
    str, typer.Argument(help="Where the card is mounted, its roll or its code.", metavar="CARD")
]
TO = Annotated[
    list[str] | None,
    typer.Option("--to", metavar="DRIVE", help="A drive by name or folder; once for each."),
]
CHECKSUM = Annotated[
    list[str] | None,
    typer.Option("--checksum", metavar="NAME", help="Instead of those of the settings."),
]
EXPECT = Annotated[
    str,
    typer.Option(
        "--expect",
        metavar="SHEET",
        help="The camera sheet, a file or typed (A001-A005): tells what never came.",
    ),
]
SETTINGS = Annotated[str, typer.Option("--settings", metavar="FILE", help="A settings file.")]
JSON = Annotated[
    bool, typer.Option("--json", help="One JSON object a line; the last is the result.")
]
