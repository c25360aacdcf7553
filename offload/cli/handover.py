"""``offload handover``: one signed page for whoever comes next, and their word for it."""

import json
import os
from typing import TYPE_CHECKING, Annotated

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from offload.cli.session import Session

app = typer.Typer(rich_markup_mode=None, add_completion=False)

HANDOVER = "handover"
TAKE_OVER = "take-over"


@app.command()
def handover(
    to: Annotated[str, typer.Option(metavar="NAME", help="Who takes over.")] = "",
    take: Annotated[bool, typer.Option("--take", help="Take over what was handed over.")] = False,
    by: Annotated[str, typer.Option(metavar="NAME", help="With --take: who you are.")] = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Write one signed page: open holds, cards out, drives and what is on them, root hashes.

    The page and its signature lie in the station's folder; ssh-keygen checks them. The next person
    takes over with --take --by NAME, which is written down.
    """
    from offload.cli.session import session
    from offload.errors import UsageError

    if take != bool(by.strip()):
        raise UsageError(
            "taking over needs a name, and a name is for taking over",
            remedy="offload handover --take --by NAME   OR   offload handover --to NAME",
        )
    with session(settings) as opened:
        if take:
            return _take(opened, by.strip(), as_json=as_json)
        return _write(opened, to.strip(), as_json=as_json)


def _write(opened: "Session", to: str, *, as_json: bool) -> int:
    from offload.cli.handover_page import page_of
    from offload.cli.status import day_began_ns
    from offload.ledger import decisions
    from offload.record.sshsig import sign
    from offload.station.overview import read_overview
    from offload.values.paths import to_text

    found = opened.settings
    machine = opened.surroundings
    overview = read_overview(opened.ledger, machine, found.drives, day_began_ns(found))
    page = page_of(
        overview, opened.ledger, to=to, by=opened.identity, production=found.production.name
    )
    path = _keep(found.station.home, page.encode("utf-8"), sign(opened.key, page.encode("utf-8")))
    now = machine.now_ns()
    word = decisions.NewDecision(
        HANDOVER, opened.identity, "a page was written", now, value=f"{to_text(path)}\n{to}"
    )
    decisions.add(opened.ledger, word)
    if as_json:
        result = {"type": "result", "page": to_text(path), "to": to, "text": page}
        typer.echo(json.dumps(result))
    else:
        typer.echo(page, nl=False)
        typer.echo(f"page       {to_text(path)}")
        typer.echo(f"signature  {to_text(path + b'.sig')}")
    return 1 if any(card.is_alarm for card in overview.cards) else 0


def _take(opened: "Session", by: str, *, as_json: bool) -> int:
    from offload.errors import UsageError
    from offload.ledger import decisions
    from offload.values.paths import shown

    ledger, now = opened.ledger, opened.surroundings.now_ns()
    waiting = decisions.waiting(ledger, HANDOVER)
    if not waiting:
        raise UsageError(
            "nothing was handed over",
            meaning="Nothing was written down.",
            remedy="Who hands over writes the page:  offload handover --to NAME",
        )
    newest = waiting[-1]
    page = newest.word.value.partition("\n")[0]
    with ledger.writing():
        word = decisions.NewDecision(TAKE_OVER, by, "took over", now, value=newest.word.value)
        decisions.add(ledger, word)
        for kept in waiting:
            decisions.answer(ledger, kept.decision, f"taken over by {by}", now)
    if as_json:
        typer.echo(json.dumps({"type": "result", "taken_by": shown(by), "page": page}))
    else:
        typer.echo(f"{shown(by)} has taken over what this page says: {page}")
        typer.echo("How it stands now:  offload status")
    return 0


def _keep(home: bytes, page: bytes, signature: bytes) -> bytes:
    """Write page and signature beside the ledger; where the page lies."""
    from datetime import datetime

    from offload.errors import LedgerError, reason

    folder = os.path.join(home, b"handovers")
    stem = f"handover-{datetime.now().astimezone():%Y-%m-%d-%H%M%S}.txt".encode("ascii")
    path = os.path.join(folder, stem)
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
        for target, content in ((path, page), (path + b".sig", signature)):
            with open(target, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
    except OSError as error:
        raise LedgerError(f"the page cannot be written: {reason(error)}", path=path) from error
    return path
