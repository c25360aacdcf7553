"""Cards as material: what is known of them, when they were mounted, where they are.

Hints (volume id, label, size, file system) narrow the search; what a card *is* is decided by its
content, and by the caller. So one set of hints may lead to several cards: twins, and the same
card with other material after it was formatted.
"""

from collections.abc import Collection
from dataclasses import dataclass

from offload.ledger.columns import plain, raw, unraw, whole
from offload.ledger.database import Ledger, Row

DELIVERY = "delivery"
"""Stands for the file system of what is no card: a roll of a delivery has a row among the cards,
since there the material is, and no list of cards names it."""

MOST = 50
"""No question lists more candidates than this, the newest first."""


@dataclass(frozen=True, slots=True)
class CardHints:
    """What a volume says about itself; no proof of anything.

    Attributes:
        volume_id: of the file system; empty where there is none.
        label: as the volume has it, unescaped.
        size_bytes: of the volume.
        fs_type: the system's name for the file system.
    """

    volume_id: str
    label: str
    size_bytes: int
    fs_type: str


@dataclass(frozen=True, slots=True)
class KnownCard:
    """A card that was seen before.

    Attributes:
        card: its number in the ledger.
        hints: see there.
        code: its card code; empty until it was read once.
        digest: of the last listing.
        first_seen_ns, last_seen_ns: nanoseconds since 1970.
    """

    card: int
    hints: CardHints
    code: str
    digest: str
    first_seen_ns: int
    last_seen_ns: int


@dataclass(frozen=True, slots=True)
class Mounting:
    """One time that a card was mounted.

    Attributes:
        mounting: its number in the ledger.
        key: what identifies it on this machine, for good.
        card: the card's number.
        inventory: number of the last listing in this mounting; None before there is one.
        mount_point: where it appeared, bytes.
        reader: what it was read through; empty where unknown.
        arrived_ns, left_ns: nanoseconds since 1970; ``left_ns`` is None while it is there.
    """

    mounting: int
    key: str
    card: int
    inventory: int | None
    mount_point: bytes
    reader: str
    arrived_ns: int
    left_ns: int | None


_CARD = "id, volume_id, label, size_bytes, fs_type, code, digest, first_seen_ns, last_seen_ns"
_MOUNTING = "id, key, card, inventory, mount_point, reader, arrived_ns, left_ns"


def add(ledger: Ledger, hints: CardHints, at_ns: int) -> int:
    """A card not seen before; returns its number."""
    return ledger.insert(
        "INSERT INTO cards (volume_id, label, size_bytes, fs_type, first_seen_ns, last_seen_ns)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (*_hint_values(hints), at_ns, at_ns),
    )


def find_by_hints(ledger: Ledger, hints: CardHints) -> tuple[KnownCard, ...]:
    """Cards with exactly these hints, the last seen first: candidates and nothing more."""
    return _cards(
        ledger,
        "volume_id = ? AND label = ? AND size_bytes = ? AND fs_type = ?",
        *_hint_values(hints),
    )


def find_by_digest(ledger: Ledger, digest: str) -> tuple[KnownCard, ...]:
    """Cards whose last listing was this, the last seen first."""
    return _cards(ledger, "digest = ? AND digest <> ''", digest)


def find_by_code(ledger: Ledger, code: str) -> tuple[KnownCard, ...]:
    """Cards with this code, the last seen first; more than one is a list of candidates."""
    return _cards(ledger, "code = ? AND code <> ''", code)


def find_by_label(ledger: Ledger, label: str) -> tuple[KnownCard, ...]:
    """Cards with this label, the last seen first."""
    return _cards(ledger, "label = ?", raw(label))


def find_mounted_at(ledger: Ledger, mount_point: bytes) -> tuple[KnownCard, ...]:
    """The card that is mounted there, as far as the ledger knows."""
    mountings = ledger.rows(
        "SELECT card FROM mountings WHERE mount_point = ? AND left_ns IS NULL"
        " ORDER BY arrived_ns DESC LIMIT 1",
        (mount_point,),
    )
    return tuple(get(ledger, int(row[0])) for row in mountings)


def get(ledger: Ledger, card: int) -> KnownCard:
    """One card by its number."""
    row = ledger.row(f"SELECT {_CARD} FROM cards WHERE id = ?", (card,))
    if row is None:
        raise RuntimeError(f"no card {card}")
    return _card(row)


def tell_hints(ledger: Ledger, card: int, hints: CardHints) -> None:
    """What a card of which nothing but its material was known said about itself."""
    ledger.change(
        "UPDATE cards SET volume_id = ?, label = ?, size_bytes = ?, fs_type = ?"
        " WHERE id = ? AND volume_id = '' AND label = ? AND size_bytes = 0 AND fs_type = ''",
        (*_hint_values(hints), card, raw("")),
    )


def tell_code(ledger: Ledger, card: int, code: str) -> None:
    """The card was read once: its code is known."""
    ledger.change("UPDATE cards SET code = ? WHERE id = ?", (code, card))


def tell_listing(
    ledger: Ledger, card: int, digest: str, at_ns: int, *, mounting: str = "", inventory: int = 0
) -> None:
    """The card was listed.

    Args:
        digest: of the inventory.
        at_ns: when.
        mounting: key of the mounting in which it was, where that is kept too.
        inventory: number of the kept listing, for the mounting.
    """
    with ledger.writing():
        ledger.change(
            "UPDATE cards SET digest = ?, last_seen_ns = max(last_seen_ns, ?) WHERE id = ?",
            (digest, at_ns, card),
        )
        if mounting and inventory:
            ledger.change(
                "UPDATE mountings SET inventory = ? WHERE key = ?", (inventory, plain(mounting))
            )


def arrived(
    ledger: Ledger, card: int, key: str, mount_point: bytes, at_ns: int, *, reader: str = ""
) -> None:
    """The card is mounted; said twice for one mounting, it is one mounting."""
    with ledger.writing():
        ledger.change(
            "INSERT INTO mountings (key, card, mount_point, reader, arrived_ns)"
            " VALUES (?, ?, ?, ?, ?) ON CONFLICT (key) DO UPDATE SET"
            " card = excluded.card, mount_point = excluded.mount_point, left_ns = NULL",
            (plain(key), card, mount_point, plain(reader), at_ns),
        )
        ledger.change(
            "UPDATE cards SET last_seen_ns = max(last_seen_ns, ?), dismissed_digest = '-'"
            " WHERE id = ?",
            (at_ns, card),
        )


def left(ledger: Ledger, key: str, at_ns: int) -> None:
    """The mounting is over."""
    ledger.change(
        "UPDATE mountings SET left_ns = ? WHERE key = ? AND left_ns IS NULL", (at_ns, plain(key))
    )


def still_mounted(ledger: Ledger, keys: Collection[str], at_ns: int) -> None:
    """What the mount table shows now: every other mounting is over, whoever missed its end.

    Args:
        keys: of all mountings that there are.
        at_ns: when that was seen; the latest moment at which the others can have ended.
    """
    present = {plain(key) for key in keys}
    with ledger.writing():
        for row in ledger.rows("SELECT key FROM mountings WHERE left_ns IS NULL"):
            if row[0] not in present:
                left(ledger, row[0], at_ns)


def mounting(ledger: Ledger, key: str) -> Mounting | None:
    """One mounting by its key."""
    row = ledger.row(f"SELECT {_MOUNTING} FROM mountings WHERE key = ?", (plain(key),))
    return Mounting(*row) if row else None


def last_mounting(ledger: Ledger, card: int) -> Mounting | None:
    """The newest mounting of a card."""
    row = ledger.row(
        f"SELECT {_MOUNTING} FROM mountings WHERE card = ? ORDER BY arrived_ns DESC LIMIT 1",
        (card,),
    )
    return Mounting(*row) if row else None


def _cards(ledger: Ledger, where: str, *values: int | str | bytes) -> tuple[KnownCard, ...]:
    rows = ledger.rows(
        f"SELECT {_CARD} FROM cards WHERE {where} ORDER BY last_seen_ns DESC LIMIT {MOST}", values
    )
    return tuple(_card(row) for row in rows)


def _card(row: Row) -> KnownCard:
    number, volume_id, label, size_bytes, fs_type, *rest = row
    return KnownCard(number, CardHints(volume_id, unraw(label), size_bytes, fs_type), *rest)


def _hint_values(hints: CardHints) -> tuple[str, bytes, int, str]:
    return plain(hints.volume_id), raw(hints.label), whole(hints.size_bytes), plain(hints.fs_type)
