"""Offloads: each time that a command or the station worked on a card, and how far it came.

An offload goes forward only. One that a kill has ended stays in the step where it was: it is
*unfinished*, and whoever goes on with it makes a new row that continues it, so that what was
proven in one run is never taken for proven in another.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Any

from offload.ledger.columns import pack_list, plain, unpack_list
from offload.ledger.database import Ledger, Row
from offload.values.facts import Policy
from offload.values.verdict import Answer

MOST = 1000
"""No list is longer."""


class State(Enum):
    """How far an offload is, in the order of the steps."""

    LISTED = "listed"
    COPYING = "copying"
    PROVING = "proving"
    RECORDING = "recording"
    STOPPED = "stopped"
    """Stopped by the user, or the card left; the same command goes on from there."""
    CONTINUED = "continued"
    """A later offload goes on with it."""
    ENDED = "ended"
    """A verdict was given."""

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen in this row."""
        return self in (State.CONTINUED, State.ENDED)


_ORDER = {state: place for place, state in enumerate(State)}


def comes_after(state: State, before: State) -> bool:
    """Whether a state is later in the order of the steps."""
    return _ORDER[state] > _ORDER[before]


class Work(Enum):
    """What an offload was begun for."""

    COPY = "copy"
    PART = "part"
    """Some files of a card, to drives whose hand-made copies lack them: it tells nothing of it."""
    CHECK = "check"
    RECEIVE = "receive"
    MEND = "mend"
    REBUILT = "rebuilt"
    """Written back into the ledger from the records beside the copies."""


@dataclass(frozen=True, slots=True)
class NewOffload:
    """An offload as it begins.

    Attributes:
        key: random, also written on the drives (``run.json``); kept by one that continues.
        card: the card's number.
        inventory: number of the kept listing.
        digest: of that inventory.
        policy: what was asked for.
        checksums: names, in the order of the settings.
        mounting: key of the card's mounting.
        host, pid: who works.
        started_ns: nanoseconds since 1970.
        roll: number of the roll, where it is known already.
        continues: number of the unfinished offload that this one goes on with.
        work: what for.
    """

    key: str
    card: int
    inventory: int
    digest: str
    policy: Policy
    checksums: tuple[str, ...]
    mounting: str
    host: str
    pid: int
    started_ns: int
    roll: int | None = None
    continues: int | None = None
    work: Work = Work.COPY


@dataclass(frozen=True, slots=True)
class Offload:
    """An offload as it stands; attributes as for :class:`NewOffload`, and:

    Attributes:
        offload: its number in the ledger.
        state: how far it is.
        changed_ns: when that was last written.
        ended_ns: when it was over; None while it is not.
        answer: the verdict's; None before there is one.
        verdict: the last line of the JSON output, as it was given; empty before.
        findings_beyond: how many findings came after the last one kept.
        card_moment: names and times of the card's files at the last look, as one checksum; empty
            where nobody has looked.
    """

    offload: int
    key: str
    work: Work
    card: int
    inventory: int
    digest: str
    roll: int | None
    continues: int | None
    state: State
    policy: Policy
    checksums: tuple[str, ...]
    mounting: str
    host: str
    pid: int
    started_ns: int
    changed_ns: int
    ended_ns: int | None
    answer: Answer | None
    verdict: Mapping[str, Any]
    findings_beyond: int
    card_moment: str


_PROVEN = (
    "UPDATE cards SET proven_digest = (SELECT digest FROM offloads WHERE id = ?)"
    " WHERE id = (SELECT card FROM offloads WHERE id = ?)"
)
_OFFLOAD = (
    "id, key, kind, card, inventory, digest, roll, continues, state, policy, checksums, mounting,"
    " host, pid, started_ns, changed_ns, ended_ns, answer, verdict, findings_beyond,"
    " card_moment"
)


def start(ledger: Ledger, new: NewOffload) -> int:
    """Write down that an offload begins; one that it continues is over with that.

    Returns:
        Its number.
    """
    with ledger.writing():
        if new.continues is not None:
            ledger.change(
                "UPDATE offloads SET state = ?, changed_ns = ?, ended_ns = ?"
                " WHERE id = ? AND ended_ns IS NULL",
                (State.CONTINUED.value, new.started_ns, new.started_ns, new.continues),
            )
        return ledger.insert(
            "INSERT INTO offloads (key, kind, card, inventory, digest, roll, continues, state,"
            " policy, checksums, mounting, host, pid, started_ns, changed_ns)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                new.key,
                new.work.value,
                new.card,
                new.inventory,
                new.digest,
                new.roll,
                new.continues,
                State.LISTED.value,
                _policy_text(new.policy),
                pack_list(new.checksums),
                plain(new.mounting),
                plain(new.host),
                new.pid,
                new.started_ns,
                new.started_ns,
            ),
        )


def move(ledger: Ledger, offload: int, state: State, at_ns: int) -> None:
    """The next step begins, or the run stops.

    Raises:
        RuntimeError: a step backwards, or an offload that is over.
    """
    with ledger.writing():
        now = get(ledger, offload).state
        if now.is_over or state.is_over or _ORDER[state] < _ORDER[now]:
            raise RuntimeError(f"offload {offload} cannot go from {now.value} to {state.value}")
        ledger.change(
            "UPDATE offloads SET state = ?, changed_ns = ? WHERE id = ?",
            (state.value, at_ns, offload),
        )


def give_roll(ledger: Ledger, offload: int, roll: int) -> None:
    """The material has its roll now."""
    ledger.change("UPDATE offloads SET roll = ? WHERE id = ?", (roll, offload))


def give_inventory(ledger: Ledger, offload: int, inventory: int, digest: str) -> None:
    """The card was listed anew within the run, and that is what the verdict is about."""
    ledger.change(
        "UPDATE offloads SET inventory = ?, digest = ? WHERE id = ?", (inventory, digest, offload)
    )


def end(
    ledger: Ledger,
    offload: int,
    answer: Answer,
    verdict: Mapping[str, Any],
    at_ns: int,
    *,
    card_moment: str = "",
) -> None:
    """The verdict was reached; said to nobody before this has returned.

    Args:
        verdict: as it goes out in JSON.
        card_moment: as it was when the card was looked at last.

    Raises:
        RuntimeError: the offload is over already.
    """
    with ledger.writing():
        if get(ledger, offload).state.is_over:
            raise RuntimeError(f"offload {offload} is over already")
        ledger.change(
            "UPDATE offloads SET state = ?, changed_ns = ?, ended_ns = ?, answer = ?, verdict = ?,"
            " card_moment = ? WHERE id = ?",
            (
                State.ENDED.value,
                at_ns,
                at_ns,
                answer.value,
                json.dumps(verdict),
                card_moment,
                offload,
            ),
        )
        if answer is Answer.CLEARED:
            ledger.change(_PROVEN, (offload, offload))


def answer_rebuilt(ledger: Ledger, offload: int, answer: Answer) -> None:
    """What an offload that is known from records alone came to; any other stays as it ended."""
    with ledger.writing():
        if get(ledger, offload).work is not Work.REBUILT:
            return
        ledger.change("UPDATE offloads SET answer = ? WHERE id = ?", (answer.value, offload))
        if answer is Answer.CLEARED:
            ledger.change(_PROVEN, (offload, offload))


def get(ledger: Ledger, offload: int) -> Offload:
    """One offload by its number."""
    row = ledger.row(f"SELECT {_OFFLOAD} FROM offloads WHERE id = ?", (offload,))
    if row is None:
        raise RuntimeError(f"no offload {offload}")
    return _offload(row)


def is_over(ledger: Ledger, offload: int) -> bool:
    """Whether nothing more will happen in an offload, or it is none of this ledger's."""
    row = ledger.row("SELECT state FROM offloads WHERE id = ?", (offload,))
    return row is None or State(row[0]).is_over


def unfinished(ledger: Ledger, card: int) -> tuple[Offload, ...]:
    """Offloads of a card that came to no verdict, the newest first.

    One of them may be running at this moment: its lease tells.
    """
    return _offloads(ledger, "card = ? AND ended_ns IS NULL", card)


def unfinished_in(ledger: Ledger, mounting: str) -> tuple[Offload, ...]:
    """Offloads without a verdict in this mounting of a card, the newest first."""
    return _offloads(ledger, "mounting = ? AND ended_ns IS NULL", plain(mounting))


def received_in(ledger: Ledger, mounting: str) -> tuple[Offload, ...]:
    """What was received from a delivery in this mounting of it, to its end; the newest first."""
    found = _offloads(ledger, "ended_ns IS NOT NULL AND mounting = ?", plain(mounting))
    return tuple(each for each in found if each.work is Work.RECEIVE and each.answer is not None)


def unfinished_of(ledger: Ledger, digest: str) -> tuple[Offload, ...]:
    """Offloads without a verdict for a card listed like this, the newest first.

    Twins may be listed alike: what is found on the drives must fit too before it is touched.
    """
    return _offloads(ledger, "digest = ? AND ended_ns IS NULL", digest)


def all_unfinished(ledger: Ledger) -> tuple[Offload, ...]:
    """All offloads without a verdict, the newest first; what a restart looks at."""
    rows = ledger.rows(
        f"SELECT {_OFFLOAD} FROM offloads WHERE ended_ns IS NULL ORDER BY id DESC LIMIT {MOST}"
    )
    return tuple(_offload(row) for row in rows)


def of_card(ledger: Ledger, card: int) -> tuple[Offload, ...]:
    """All offloads of a card, the newest first."""
    return _offloads(ledger, "card = ?", card)


def last_of_card(ledger: Ledger, card: int) -> Offload | None:
    """The newest offload of a card; a run about a part of it says nothing of the card."""
    row = ledger.row(
        f"SELECT {_OFFLOAD} FROM offloads WHERE card = ? AND kind <> ? ORDER BY id DESC LIMIT 1",
        (card, Work.PART.value),
    )
    return _offload(row) if row else None


def of_roll(ledger: Ledger, roll: int) -> tuple[Offload, ...]:
    """All offloads of a roll, the newest first."""
    return _offloads(ledger, "roll = ?", roll)


def of_digest(ledger: Ledger, digest: str) -> tuple[Offload, ...]:
    """All offloads of a card listed like this, the newest first."""
    return _offloads(ledger, "digest = ?", digest)


def of_key(ledger: Ledger, key: str) -> tuple[Offload, ...]:
    """All offloads with the key that a drive's ``run.json`` holds, the newest first."""
    return _offloads(ledger, "key = ?", key)


def started_since(ledger: Ledger, since_ns: int) -> tuple[Offload, ...]:
    """Offloads started at that time or later, the newest first."""
    rows = ledger.rows(
        f"SELECT {_OFFLOAD} FROM offloads WHERE started_ns >= ?"
        f" ORDER BY started_ns DESC LIMIT {MOST}",
        (since_ns,),
    )
    return tuple(_offload(row) for row in rows)


def _offloads(ledger: Ledger, where: str, value: int | str) -> tuple[Offload, ...]:
    rows = ledger.rows(
        f"SELECT {_OFFLOAD} FROM offloads WHERE {where} ORDER BY id DESC LIMIT {MOST}", (value,)
    )
    return tuple(_offload(row) for row in rows)


def _offload(row: Row) -> Offload:
    values = list(row)
    values[2] = Work(row[2])
    values[8] = State(row[8])
    values[9] = _policy(json.loads(row[9]))
    values[10] = unpack_list(row[10])
    values[17] = Answer(row[17]) if row[17] else None
    values[18] = json.loads(row[18]) if row[18] else {}
    return Offload(*values)


def _policy_text(policy: Policy) -> str:
    pairs: Iterable[list[str]] = (sorted(pair) for pair in policy.declared_separate)
    return json.dumps(
        {
            "copies_needed": policy.copies_needed,
            "separate_drives": policy.separate_drives,
            "card_reads": policy.card_reads,
            "declared_separate": sorted(pairs),
        }
    )


def _policy(found: dict[str, Any]) -> Policy:
    pairs = frozenset(frozenset(pair) for pair in found["declared_separate"])
    return Policy(found["copies_needed"], found["separate_drives"], found["card_reads"], pairs)
