"""How far a run is, in one small file that its faces read: never synced, never decided by.

The run replaces it twice a second. Each replacement is whole (a rename), and a file that is
missing, old, foreign or damaged just means that nothing is known at the moment.
"""

import json
import os
from dataclasses import asdict, dataclass
from typing import Any

_FOLDER = b"pulses"
_LIMIT_BYTES = 65536
_MOST_DRIVES = 64
_MOST_RUNS = 64


@dataclass(frozen=True, slots=True)
class DrivePulse:
    """One drive's part.

    Attributes:
        name: the drive's.
        step: what it does now: ``copying``, ``proving``, ``done``, ``failed``, ``waiting``.
        done_bytes, total_bytes: of this step.
        rate_bytes_s: 0 where it is not known yet.
        left_s: time left of this step; negative where it is not known yet.
        note: a phrase, already safe to show.
    """

    name: str
    step: str = ""
    done_bytes: int = 0
    total_bytes: int = 0
    rate_bytes_s: float = 0.0
    left_s: float = -1.0
    note: str = ""


@dataclass(frozen=True, slots=True)
class Pulse:
    """One run at one moment.

    Attributes:
        offload: its number in the ledger.
        at_ns: when this was written, nanoseconds since 1970.
        pid: the process.
        roll: name shown, already safe.
        step: the step now.
        done_bytes, total_bytes: read from the card in this step.
        done_files, total_files: of this step.
        rate_bytes_s, left_s: as for a drive, of the card.
        verdict_ns: when the verdict is expected, nanoseconds since 1970; 0 where unknown.
        note: a phrase, already safe to show.
        drives: one each.
    """

    offload: int
    at_ns: int
    pid: int
    roll: str = ""
    step: str = ""
    done_bytes: int = 0
    total_bytes: int = 0
    done_files: int = 0
    total_files: int = 0
    rate_bytes_s: float = 0.0
    left_s: float = -1.0
    verdict_ns: int = 0
    note: str = ""
    drives: tuple[DrivePulse, ...] = ()


def write(home: bytes, pulse: Pulse) -> bool:
    """Replace the pulse of one run.

    Returns:
        False when it could not be written: a face shows less, the run goes on.
    """
    path = _path(home, pulse.offload)
    temporary = path + b".new"
    content = json.dumps(asdict(pulse)).encode()
    if len(content) > _LIMIT_BYTES:
        return False
    try:
        os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
        with open(temporary, "wb") as file:
            file.write(content)
        os.replace(temporary, path)
    except OSError:
        return False
    return True


def read(home: bytes, offload: int) -> Pulse | None:
    """The pulse of one run; None when there is none that can be read."""
    return _parsed(_content(_path(home, offload)), offload)


def read_all(home: bytes) -> tuple[Pulse, ...]:
    """The pulses that there are, by the number of their run; the newest 64 of them."""
    try:
        names = os.listdir(os.path.join(home, _FOLDER))
    except OSError:
        return ()
    stems = (name.removesuffix(b".json") for name in names if name.endswith(b".json"))
    numbers = sorted(int(stem) for stem in stems if stem.isdigit() and len(stem) < 19)
    found = (read(home, number) for number in numbers[-_MOST_RUNS:])
    return tuple(pulse for pulse in found if pulse is not None)


def remove(home: bytes, offload: int) -> None:
    """Take the pulse of a run away once it has ended."""
    for suffix in (b"", b".new"):
        try:
            os.unlink(_path(home, offload) + suffix)
        except OSError:
            continue


def _path(home: bytes, offload: int) -> bytes:
    return os.path.join(home, _FOLDER, f"{offload}.json".encode())


def _content(path: bytes) -> bytes:
    # Not a pipe that never answers, not a file without end: opened unblocked, read to the limit.
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | getattr(os, "O_NONBLOCK", 0))
    except OSError:
        return b""
    try:
        return os.read(fd, _LIMIT_BYTES + 1)
    except OSError:
        return b""
    finally:
        os.close(fd)


def _parsed(content: bytes, offload: int) -> Pulse | None:
    if not content or len(content) > _LIMIT_BYTES:
        return None
    try:
        found = json.loads(content)
        drives = tuple(DrivePulse(**drive) for drive in found.pop("drives")[:_MOST_DRIVES])
        pulse = Pulse(**found, drives=drives)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    if pulse.offload != offload or not all(map(_is_typed, (pulse, *drives))):
        return None
    return pulse


def _is_typed(value: Any) -> bool:
    """Whether each field has the type that its class says; the file may be anybody's."""
    kinds: dict[Any, tuple[type, ...]] = {int: (int,), float: (int, float), str: (str,)}
    for name, field in value.__dataclass_fields__.items():
        found = getattr(value, name)
        allowed = kinds.get(field.type, (tuple,))
        if isinstance(found, bool) or not isinstance(found, allowed):
            return False
        if isinstance(found, float) and not abs(found) < 1e18:
            return False
    return True
