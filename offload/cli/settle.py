"""``offload settle``: a person's word on a doubt about a recording."""

import json
import os
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from offload.ledger.database import Ledger
    from offload.ledger.offloads import Offload

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def settle(
    card: Annotated[str, typer.Argument(metavar="CARD", help="A roll, a code or a mount point.")],
    code: Annotated[str, typer.Argument(metavar="CODE", help="The hold's, such as clip-empty.")],
    by: Annotated[str, typer.Option(help="Who decides.")],
    because: Annotated[str, typer.Option(help="Why.")],
    clip: Annotated[
        str, typer.Argument(metavar="CLIP", help="The clip's path, or its last part.")
    ] = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Decide that a doubt about a recording keeps the card no longer, by name and reason.

    It binds to this hold, this clip and this content, and lapses when one of them is another.
    Whatever is about bytes cannot be decided by anybody: it has to be mended.
    """
    from offload.cli.ledger_words import one_card
    from offload.cli.session import read_settings, surroundings
    from offload.cli.settle_by_content import content_of
    from offload.errors import UsageError
    from offload.ledger import decisions
    from offload.ledger.database import Ledger
    from offload.values.paths import shown, to_text

    if not by.strip() or not because.strip():
        raise UsageError("a decision needs a name and a reason", meaning="Nothing was decided.")
    word = decisions.NewDecision(
        decisions.SETTLE, by.strip(), because.strip(), surroundings().now_ns(), code=code
    )
    with Ledger(read_settings(settings, {}).station.home) as ledger:
        try:
            known = one_card(ledger, card)
            last = _last_held(ledger, known.card)
        except UsageError:
            # Compared with copies made by hand: nothing of it is kept, but its clips lie here.
            if not os.path.isdir(card):
                raise
            where = os.path.abspath(os.fsencode(card))
            path, checksum = content_of(where, code, clip, surroundings())
            word = replace(word, path=path, checksum=checksum)
            again = f"offload check {shown(card)} --in FOLDER --in FOLDER"
        else:
            path = _path(last.verdict, code, clip)
            checksum = _kept_checksum(ledger, last, path)
            word = replace(word, card=known.card, roll=last.roll, path=path, checksum=checksum)
            again = f"offload copy {shown(card)}"
        if not checksum:
            raise UsageError(
                "the content that this would be about is not known: it was never read in full",
                path=path,
                meaning="Nothing was decided.",
                remedy=f"offload copy {shown(card)}",
            )
        number = decisions.add(ledger, word)
    what = to_text(path) if path else "the card"
    if as_json:
        result = {"type": "result", "decision": number, "code": code, "path": to_text(path)}
        typer.echo(json.dumps({**result, "by": shown(by), "because": shown(because)}))
        return 0
    typer.echo(
        f"{code} of {what} is settled by {shown(by)}: {shown(because)}\n"
        "A station that runs proves the card anew and gives the verdict. Without one:\n"
        f"  DO  {again}"
    )
    return 0


def _kept_checksum(ledger: "Ledger", last: "Offload", path: bytes) -> bytes:
    from offload.clearance.decisions import content_checksum
    from offload.ledger import files, inventories

    inventory = inventories.load(ledger, last.inventory)
    columns = files.load(ledger, last.offload, len(inventory.entries))
    return content_checksum(inventory, columns.digests.get("xxh128", b""), path)


def _last_held(ledger: "Ledger", card: int) -> "Offload":
    from offload.errors import UsageError
    from offload.ledger import offloads

    for each in offloads.of_card(ledger, card):
        if each.answer is not None:
            if each.verdict.get("holds"):
                return each
            break
    raise UsageError(
        "the card's last verdict holds nothing that could be decided",
        meaning="Nothing was decided.",
        remedy="offload status",
    )


def _path(verdict: Mapping[str, Any], code: str, clip: str) -> bytes:
    """The path that an open hold of this code is about.

    Raises:
        UsageError: no such hold is open, it is about bytes, or the clip is not among its paths.
    """
    from offload.clearance.holds import is_settleable
    from offload.errors import UsageError
    from offload.values.paths import from_text, shown

    if not is_settleable(code):
        raise UsageError(
            f"'{shown(code)}' is about bytes, or no hold at all: nobody can decide it away",
            meaning="Nothing was decided.",
            remedy="Mend it: the verdict says how. offload status",
        )
    holds = [hold for hold in verdict.get("holds", []) if hold.get("code") == code]
    paths = [str(path) for hold in holds for path in hold.get("paths", [])]
    if not holds:
        open_codes = ", ".join(str(hold.get("code")) for hold in verdict.get("holds", []))
        raise UsageError(
            f"the card is not held by '{shown(code)}'",
            meaning=f"It is held by: {open_codes}. Nothing was decided.",
        )
    if not paths and not clip:
        return b""
    matches = [path for path in paths if clip in (path, path.rpartition("/")[2])]
    if len(matches) != 1:
        listed = "\n".join(f"      {path}" for path in paths[:20])
        raise UsageError(
            f"'{shown(clip)}' names {'no clip' if not matches else 'more than one clip'} of this "
            f"hold; it is about\n{listed}",
            meaning="Nothing was decided.",
        )
    return from_text(matches[0])
