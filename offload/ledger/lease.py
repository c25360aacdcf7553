"""Who may work: one run for each mounting of a card, one station for each ledger.

A lease is keyed by the mounting, not by the card, so that twins are two cards (the
system's lock decides, see ``locks.py``; kill, power cut and stop all give it back).
"""

import hashlib
import os
from datetime import UTC, datetime

from offload.errors import BusyError, LedgerError, reason
from offload.ledger.locks import FileLock, Holder, TakenError, holder_of
from offload.values.paths import shown

_FOLDER = b"leases"
_STATION = b"station.lock"


def take_card(home: bytes, mounting: str, holder: Holder) -> FileLock:
    """The lease of a card, for as long as it is in this mounting.

    Args:
        home: the ledger's folder.
        mounting: the mounting's key.
        holder: what a second run is told.

    Raises:
        BusyError: another run works on this card; says which and since when.
        LedgerError: no lease can be taken here.
    """
    path = _lease_path(home, mounting)
    try:
        os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
    except OSError as error:
        raise LedgerError(f"no lease can be made: {reason(error)}", path=path) from error
    try:
        return FileLock.take(path, holder)
    except TakenError as error:
        raise BusyError(
            f"another run works on this card: {said(error.holder)}",
            meaning="nothing was touched by this command",
            remedy="see how far it is: offload status",
        ) from None


def card_holder(home: bytes, mounting: str) -> Holder | None:
    """Who works on the card in this mounting; None when nobody does."""
    path = _lease_path(home, mounting)
    return holder_of(path) if os.path.exists(path) else None


def take_station(home: bytes, holder: Holder) -> FileLock:
    """The one place of the station that keeps this ledger.

    Raises:
        BusyError: a station runs on this ledger already; names it.
        LedgerError: the lock cannot be taken here.
    """
    try:
        return FileLock.take(os.path.join(home, _STATION), holder)
    except TakenError as error:
        raise BusyError(
            f"a station keeps this ledger already: {said(error.holder)}",
            meaning="this one was not started; the other goes on",
            remedy="see what it does: offload status",
        ) from None


def station_holder(home: bytes) -> Holder | None:
    """The station that keeps this ledger; None when none runs."""
    path = os.path.join(home, _STATION)
    return holder_of(path) if os.path.exists(path) else None


def said(holder: Holder | None) -> str:
    """A holder in words: ``process 4711 on dit-cart, since 14:22:08``, this machine's clock."""
    if holder is None or not holder.pid:
        return "a process that has not said its name"
    about = f" ({shown(holder.about)})" if holder.about else ""
    since = f", since {_clock(holder.started_ns)}" if holder.started_ns else ""
    return f"process {holder.pid} on {shown(holder.host)}{about}{since}"


def _clock(at_ns: int) -> str:
    try:
        moment = datetime.fromtimestamp(at_ns / 1e9, UTC).astimezone()
    except (OverflowError, OSError, ValueError):
        return "an unknown time"
    return moment.strftime("%Y-%m-%d %H:%M:%S")


def _lease_path(home: bytes, mounting: str) -> bytes:
    # A name of fixed length and letters, whatever the key holds.
    name = hashlib.sha256(mounting.encode("utf-8", "surrogatepass")).hexdigest()[:32]
    return os.path.join(home, _FOLDER, name.encode() + b".lock")
