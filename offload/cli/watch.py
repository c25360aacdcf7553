"""``offload watch``: the station."""

import os
import signal
from typing import TYPE_CHECKING, Annotated

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from offload.cli.session import Session
    from offload.station.notify import Notifier
    from offload.station.orders import OrderBook
    from offload.station.service import Station

app = typer.Typer(rich_markup_mode=None, add_completion=False)

_STOPPED_BY_USER = 130


@app.command()
def watch(
    settings: SETTINGS = "",
    as_json: JSON = False,
    eject: Annotated[
        bool,
        typer.Option("--eject", help="Unmount each card as part of its clearance."),
    ] = False,
) -> int:
    """Watch for cards, offload each to the drives of the settings, and say what became of it.

    Put a card in and walk away. Cards that share a reader go one after another, others side by
    side. Ctrl-C, a kill or a power cut lose nothing: it goes on from there at the next start.
    """
    from offload.cli.orders import orders_of
    from offload.cli.page_maker import RecordPages
    from offload.cli.session import session
    from offload.cli.verify import signers_for
    from offload.cli.watch_view import WatchView
    from offload.cli.wishing import layouts_of
    from offload.jobs.offloading import offload_card
    from offload.jobs.receiving import ReceiveWish, receive
    from offload.jobs.tools import Tools
    from offload.station.hooks import Hooks
    from offload.station.means import Means
    from offload.station.orders import OrderBook
    from offload.station.service import Station
    from offload.volumes.watch import Watcher

    with session(settings) as opened:
        book = OrderBook(lambda: orders_of(opened, settings, ejects=eject))
        view = WatchView(
            as_json=as_json,
            log=opened.settings.station.log,
            live_lines=lambda width, height: _live(opened, book, width, height),
        )
        told: list[Station] = []
        means = Means(
            opened.ledger,
            opened.surroundings,
            lambda sink, is_stopped: Tools(
                opened.ledger,
                opened.key,
                opened.surroundings,
                sink=sink,
                is_stopped=is_stopped,
                identity=opened.identity,
                write_page=RecordPages(opened.ledger),
                layouts=layouts_of(book.orders.settings),
            ),
            offload_card,
            lambda wish, tools: receive(
                ReceiveWish(wish, signers_for(book.orders.settings)), tools
            ),
            Hooks(os.environ, lambda text: told[0].tell(text)),
            view.take,
            _notifier(),
            Watcher(),
        )
        station = Station(book, means)
        told.append(station)
        signals = _stop_on_signals(station)
        with view:
            station.run()
        return _STOPPED_BY_USER if signal.SIGINT in signals else 0


def _live(opened: "Session", book: "OrderBook", width: int, height: int) -> list[str]:
    """The screen at this moment; the ledger not answering is told elsewhere."""
    from offload.cli.status import day_began_ns
    from offload.cli.status_view import status_lines
    from offload.cli.wrapping import cut
    from offload.errors import LedgerError
    from offload.station.overview import read_overview

    settings = book.orders.settings
    try:
        overview = read_overview(
            opened.ledger, opened.surroundings, settings.drives, day_began_ns(settings)
        )
    except LedgerError as error:
        return [cut(f"the ledger does not answer: {error}", width)]
    return [cut(line, width) for line in status_lines(overview, width)[:height]]


def _notifier() -> "Notifier":
    from offload.station.notify import Notifier

    microseconds = os.environ.get("WATCHDOG_USEC", "")
    is_for_us = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    return Notifier(
        os.environ.get("NOTIFY_SOCKET", ""),
        int(microseconds) if microseconds.isdigit() and is_for_us else 0,
    )


def _stop_on_signals(station: "Station") -> list[int]:
    """The first signal asks for a clean stop, a second Ctrl-C ends the program at once."""
    seen: list[int] = []

    def on_signal(number: int, frame: object) -> None:
        if number == signal.SIGINT and signal.SIGINT in seen:
            os._exit(_STOPPED_BY_USER)
        seen.append(number)
        station.stop(signal.Signals(number).name)

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, on_signal)
    return seen
