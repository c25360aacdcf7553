"""Which volumes came, settled and left: one session for each mounting, whatever happens to it.

Knows no thread, no file system and no clock: it is told what is mounted, what was described and
seen, and what time it is. Rules:

* A mounting that is covered when first seen is not announced before its path leads to it; one that
  is covered later goes on.
* A mounting that leaves before it was announced is never announced; one that was is left once.
* Settled: two looks that agree, at least the quiet time apart. An empty or unreadable volume
  settles after a longer patience, and once more when something lies there after all.
* One that goes on changing is said to be restless, once; it settles when it has come to rest.
"""

from collections.abc import Hashable, Iterable
from dataclasses import dataclass

from offload.volumes.settle import Look
from offload.volumes.volume import Mounting, Volume


@dataclass(frozen=True, slots=True)
class Appeared:
    """A volume was mounted; nothing is known yet of what lies on it."""

    volume: Volume


@dataclass(frozen=True, slots=True)
class Settled:
    """What lies on a volume has come to rest.

    Attributes:
        volume: as it was when it appeared.
        is_empty: nothing lies there, after having been patient.
        problem: why it cannot be listed; else empty.
    """

    volume: Volume
    is_empty: bool = False
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Restless:
    """What lies on a volume goes on changing: it has not settled, and may never."""

    volume: Volume


@dataclass(frozen=True, slots=True)
class Left:
    """A volume that had appeared is no longer mounted."""

    volume: Volume


@dataclass(frozen=True, slots=True)
class WatchFailed:
    """The watching itself has ended; nothing more will be noticed."""

    reason: str


VolumeEvent = Appeared | Settled | Restless | Left | WatchFailed


@dataclass(frozen=True, slots=True)
class Pace:
    """How long things take, in seconds.

    Attributes:
        stands_s: a mounting is described once it has stood this long.
        quiet_s: the top of a volume has to stay the same this long.
        look_s: time between two looks at a volume that has not settled.
        patience_s: an empty or unreadable volume gets this long before it is said to be so.
        restless_s: a volume that has gone on changing this long is said to do so.
        slow_s: time between two looks at one that settled empty or unreadable.
        net_s: time between two readings of the mount table when nothing signals a change: a card
            pulled without being unmounted signals none.
    """

    stands_s: float = 0.1
    quiet_s: float = 1.0
    look_s: float = 0.5
    patience_s: float = 10.0
    restless_s: float = 30.0
    slow_s: float = 5.0
    net_s: float = 0.8


@dataclass(slots=True)
class _Session:
    mounting: Mounting
    seen_at: float
    due_at: float
    is_asked: bool = False
    volume: Volume | None = None
    look: Look | None = None
    look_since: float = 0.0
    restless_since: float | None = None
    is_restless: bool = False
    is_settled: bool = False
    is_done: bool = False


class Sessions:
    """The sessions of all mountings.

    Args:
        pace: how long things take.
    """

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self._sessions: dict[Hashable, _Session] = {}

    def update(self, mountings: Iterable[Mounting], now: float) -> list[VolumeEvent]:
        """Take the mount table as it is now; who has left."""
        table = {mounting.key: mounting for mounting in mountings}
        left: list[VolumeEvent] = []
        for key in [key for key in self._sessions if key not in table]:
            volume = self._sessions.pop(key).volume
            if volume is not None:
                left.append(Left(volume))
        for key, mounting in table.items():
            session = self._sessions.get(key)
            if session is not None:
                if session.mounting.is_covered and not mounting.is_covered:
                    session.due_at = now
                session.mounting = mounting
            else:
                due = now + self._pace.stands_s
                self._sessions[key] = _Session(mounting, now, due)
        return left

    def to_describe(self, now: float) -> list[Mounting]:
        """Mountings that are to be described now; each is handed out once until answered."""
        return self._hand_out(now, is_described=False)

    def to_look_at(self, now: float) -> list[Mounting]:
        """Mountings that are to be looked at now; each is handed out once until answered."""
        return self._hand_out(now, is_described=True)

    def described(self, mounting: Mounting, volume: Volume | None, now: float) -> list[VolumeEvent]:
        """Take a description (None: it could not be had, and is asked for again)."""
        session = self._sessions.get(mounting.key)
        if session is None or session.volume is not None:
            return []
        session.is_asked = False
        session.due_at = now if volume else now + self._pace.look_s
        session.volume = volume
        return [Appeared(volume)] if volume else []

    def looked(self, mounting: Mounting, look: Look, now: float) -> list[VolumeEvent]:
        """Take what a look saw."""
        session = self._sessions.get(mounting.key)
        if session is None or session.volume is None:
            return []
        session.is_asked = False
        session.due_at = now + self._pace.look_s
        if session.mounting.is_covered:
            # The path led elsewhere while it was looked at.
            return []
        if session.look is None or session.look.digest != look.digest:
            session.look, session.look_since = look, now
            return self._changed(session, session.volume, now)
        return self._rested(session, session.volume, look, now)

    def wait_s(self, now: float) -> float:
        """Seconds until something is due."""
        due = [s.due_at for s in self._sessions.values() if not (s.is_asked or s.is_done)]
        return max(0.0, min([self._pace.net_s, *(at - now for at in due)]))

    def _changed(self, session: _Session, volume: Volume, now: float) -> list[VolumeEvent]:
        if session.restless_since is None:
            session.restless_since = now
        if session.is_restless or now - session.restless_since < self._pace.restless_s:
            return []
        session.is_restless = True
        return [Restless(volume)]

    def _rested(
        self, session: _Session, volume: Volume, look: Look, now: float
    ) -> list[VolumeEvent]:
        is_bare = look.is_empty or bool(look.problem)
        since = session.seen_at if is_bare else session.look_since
        if now - since < (self._pace.patience_s if is_bare else self._pace.quiet_s):
            return []
        session.restless_since, session.is_restless = None, False
        session.is_done = not is_bare
        session.due_at = now + self._pace.slow_s
        if is_bare and session.is_settled:
            return []
        session.is_settled = True
        return [Settled(volume, look.is_empty, look.problem)]

    def _hand_out(self, now: float, *, is_described: bool) -> list[Mounting]:
        found: list[Mounting] = []
        for session in self._sessions.values():
            is_waiting = session.is_asked or session.is_done or session.due_at > now
            if is_waiting or (session.volume is not None) != is_described:
                continue
            if session.mounting.is_covered:
                session.due_at = now + self._pace.slow_s
                continue
            session.is_asked = True
            found.append(session.mounting)
        return found
