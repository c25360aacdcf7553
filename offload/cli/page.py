"""``offload page``: a roll, a day or the production as one page, and its clips as a table."""

import json
import os
import time
from datetime import date
from typing import Annotated, Any

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def page(
    roll: Annotated[
        str, typer.Argument(help="A roll by its name or card code.", metavar="ROLL")
    ] = "",
    day: Annotated[
        str, typer.Option(metavar="DATE", help="All rolls of a shooting day: 2026-11-24.")
    ] = "",
    production: Annotated[
        bool, typer.Option("--production", help="Days, rolls and drives of the production.")
    ] = False,
    to: Annotated[
        str, typer.Option(metavar="FILE", help="Where to; else here, named after what is on it.")
    ] = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """One page to look at, print and pass on, and beside it a table (CSV) of the clips.

    Made from the ledger, and from the copies that are there for pictures that it has not. The page
    needs no network and has no script. It is a record: whether a card may be erased now, only
    offload check says.
    """
    from offload.cli.page_maker import sources_with_pictures
    from offload.cli.session import read_settings
    from offload.cli.wishing import layouts_of
    from offload.jobs.paging import CopyPictures
    from offload.ledger.database import Ledger

    _refuse_several(roll, day, production)
    found = read_settings(settings, {})
    with Ledger(found.station.home) as ledger, CopyPictures(ledger) as pictures:
        sources = sources_with_pictures(ledger, pictures)
        made = _Made(sources, time.time_ns(), to, layouts_of(found))
        if roll:
            written = made.roll(_one_roll(ledger, roll))
        elif day:
            written = made.day(_day(day))
        else:
            written = made.production(found.production.name)
    if as_json:
        typer.echo(json.dumps({"type": "page", **written}))
    else:
        typer.echo(f"{written['page']}\n{written['table']}")
    return 0


class _Made:
    """One page on its way into a file."""

    def __init__(self, sources: Any, now_ns: int, to: str, layouts: Any) -> None:
        self._sources = sources
        self._layouts = layouts
        self._now_ns = now_ns
        self._to = to

    def roll(self, roll: Any) -> dict[str, Any]:
        from offload.report.pages import page_of_roll
        from offload.report.roll_facts import roll_facts

        target = self._target(roll.name)
        facts = roll_facts(self._sources, roll)
        page = page_of_roll(facts, self._sources, self._now_ns, _table_name(target))
        return self._write(target, page, (facts,))

    def day(self, day: str) -> dict[str, Any]:
        from offload.errors import UsageError
        from offload.ledger import rolls
        from offload.report.pages import facts_of, page_of_day

        found = rolls.of_day(self._sources.ledger, day)[::-1]
        if not found:
            raise UsageError(f"no roll of {day} is in the ledger", remedy="offload rolls")
        target = self._target(day)
        facts = facts_of(self._sources, found)
        page = page_of_day(day, facts, self._sources, self._now_ns, _table_name(target))
        return self._write(target, page, facts)

    def production(self, production: str) -> dict[str, Any]:
        from offload.errors import UsageError
        from offload.report.pages import facts_of, page_of_production, rolls_of_production

        found = rolls_of_production(self._sources, production)
        if not found:
            raise UsageError("no roll of this production is in the ledger", remedy="offload rolls")
        target = self._target(production or "production")
        facts = facts_of(self._sources, found, with_pictures=False)
        table = _table_name(target)
        page = page_of_production(production, facts, self._sources, self._now_ns, table)
        return self._write(target, page, facts)

    def _target(self, subject: str) -> bytes:
        """The page's file, absolute; refused before any work where it may not be."""
        from offload.errors import UsageError

        target = os.path.abspath(os.fsencode(self._to or f"{_plain(subject)}.html"))
        if not target.lower().endswith((b".html", b".htm")):
            raise UsageError(
                "the page's name has to end in .html",
                path=target,
                remedy="offload page A001 --to A001.html",
            )
        _refuse_card(self._sources.ledger, os.path.dirname(target), self._layouts)
        return target

    def _write(self, target: bytes, page: bytes, facts: Any) -> dict[str, Any]:
        from offload.cli.page_maker import MARKS, PAGE, SPELLINGS, TABLE
        from offload.report.clip_table import clip_table
        from offload.values.paths import to_text

        table = os.path.join(os.path.dirname(target), os.fsencode(_table_name(target)))
        _write_files(
            os.path.dirname(target),
            [
                (target, page, MARKS[PAGE]),
                (table, clip_table(facts, SPELLINGS), MARKS[TABLE]),
            ],
        )
        return {
            "page": to_text(target),
            "table": to_text(table),
            "rolls": len(facts),
            "clips": sum(len(each.clips) for each in facts),
        }


def _refuse_several(roll: str, day: str, production: bool) -> None:
    from offload.errors import UsageError

    if bool(roll) + bool(day) + production != 1:
        raise UsageError(
            "a page is about one roll, one day or the production",
            remedy="offload page A001, offload page --day 2026-11-24, or offload page --production",
        )


def _one_roll(ledger: Any, word: str) -> Any:
    from offload.errors import UsageError
    from offload.ledger.rolls import find
    from offload.values.paths import shown

    found = find(ledger, word)
    if not found:
        raise UsageError(f"the ledger knows no roll '{shown(word)}'", remedy="offload rolls")
    if len({each.code for each in found}) > 1:
        codes = ", ".join(f"{each.code} of {each.day}" for each in found[:20])
        raise UsageError(
            f"'{shown(word)}' is the name of {len(found)} rolls: {codes}",
            remedy=f"offload page {found[0].code}",
        )
    return found[0]


def _day(text: str) -> str:
    from offload.errors import UsageError
    from offload.values.paths import shown

    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(
            f"--day {shown(text[:40])}: this has to be a date",
            remedy="offload page --day 2026-11-24",
        ) from None


def _table_name(target: bytes) -> str:
    return os.fsdecode(os.path.splitext(os.path.basename(target))[0] + b".csv")


def _plain(subject: str) -> str:
    """A name that every file system takes; a roll may be called anything."""
    kept = "".join(char if char.isalnum() or char in " -_" else "_" for char in subject)
    return kept.strip()[:80] or "page"


def _refuse_card(ledger: Any, folder: bytes, layouts: Any) -> None:
    """Nothing is ever written to a card, and so no page either."""
    from offload.cli.session import surroundings
    from offload.errors import UsageError
    from offload.jobs.volume_kind import VolumeKind, look_at_volume
    from offload.ledger.cards import find_mounted_at
    from offload.values.paths import parent

    above = real = os.path.realpath(folder)
    is_card = False
    while above and above != b"/":
        is_card = is_card or bool(find_mounted_at(ledger, above))
        above = parent(above)
    mounted = [each.mount_point for each in surroundings().volumes() if not each.is_covered]
    own = max((each for each in mounted if _is_below(real, each)), key=len, default=b"/")
    if is_card or (own != b"/" and look_at_volume(own, layouts).kind is VolumeKind.CARD):
        raise UsageError(
            "this is on a card, and nothing is ever written to a card",
            path=folder,
            remedy="offload page A001 --to FOLDER/A001.html",
        )


def _is_below(path: bytes, folder: bytes) -> bool:
    return path == folder or path.startswith(folder.rstrip(b"/") + b"/")


def _write_files(folder: bytes, files: list[tuple[bytes, bytes, bytes]]) -> None:
    """Write all of them, or none where one of them may not be.

    Args:
        files: path, content and how a file of ours begins.
    """
    from offload.errors import UsageError, reason
    from offload.jobs.paging import refuse_foreign, write_own
    from offload.storage.root import Root
    from offload.values.paths import name

    path = folder
    try:
        with Root(folder) as root:
            for path, _, mark in files:
                refuse_foreign(root, name(path), mark)
            for path, content, mark in files:
                write_own(root, name(path), content, mark)
    except FileExistsError as error:
        raise UsageError(
            "another file is there, and nothing is overwritten but pages of ours",
            path=path,
            remedy="Give another name with --to.",
        ) from error
    except OSError as error:
        raise UsageError(f"it cannot be written: {reason(error)}", path=path) from error
