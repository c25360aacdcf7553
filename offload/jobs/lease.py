"""Who works on a roll on a drive: ``records/ROLL/run.json``, matched before anything is touched.

The file says which run of which card made the ``.incomplete`` beside it, so that a run from another
ledger or machine recognises its own material and leaves everybody else's alone. While a run works
the file is locked, by a lock of the system that a kill gives back.
"""

import contextlib
import fcntl
import json
import os
from dataclasses import dataclass, replace

from offload.errors import BusyError, reason
from offload.storage.durable import write_new
from offload.storage.root import Root
from offload.values.paths import join

RUN_NAME = b"run.json"
_LIMIT = 1 << 16
_TEXT_LIMIT = 512


@dataclass(frozen=True, slots=True)
class Run:
    """What ``run.json`` says.

    Attributes:
        key: random; kept by every run that goes on with the same work.
        inventory: digest of the card's listing.
        volume_id: the card's file system; empty where it has none.
        host: machine of the last run.
        code: card code; empty until the card was read once.
        roll: the roll's name on this drive.
    """

    key: str
    inventory: str
    volume_id: str
    host: str
    code: str
    roll: str

    def is_same_card(self, other: "Run") -> bool:
        """Whether both speak of one card listed alike; twins differ in volume id or in code."""
        if self.inventory != other.inventory:
            return False
        if self.code and other.code:
            return self.code == other.code
        return self.volume_id == other.volume_id


def read_run(root: Root, records: bytes) -> Run | None:
    """The lease in a records folder; nothing where there is none that can be read."""
    try:
        found = json.loads(root.read_small(join(records, RUN_NAME), _LIMIT))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(found, dict):
        return None
    values = [found.get(key) for key in Run.__slots__]
    texts = [value for value in values if isinstance(value, str) and len(value) <= _TEXT_LIMIT]
    return Run(*texts) if len(texts) == len(values) else None


def write_run(root: Root, records: bytes, run: Run) -> None:
    """Write the lease durably, over an earlier one of the same work."""
    content = {key: getattr(run, key) for key in Run.__slots__}
    text = json.dumps(content, indent=2, sort_keys=True) + "\n"
    write_new(root, join(records, RUN_NAME), text.encode("ascii"), replaces_own=True)


def with_code(run: Run, code: str) -> Run:
    """The card has been read once."""
    return replace(run, code=code)


class Lock:
    """A lock on a roll's records folder on one drive, given back at the end or by a kill."""

    def __init__(self, root: Root, records: bytes, drive: str) -> None:
        """
        Raises:
            BusyError: another run works on this roll on this drive.
            OSError: the folder is not there.
        """
        # Opened as a folder, which is kept also on a drive that answers nothing any more.
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
        self._fd = os.open(b".", flags, dir_fd=root.folder(records))
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self.release()
            raise BusyError(
                f"another run is working on this roll on {drive}",
                path=join(root.path, records),
                meaning="Nothing was touched.",
                remedy="Wait until it has ended, then the same command.",
            ) from error
        except OSError as error:
            # A file system without locks: the lease in the file and the card's own lock remain.
            self.is_held = False
            self.why_not = reason(error)
        else:
            self.is_held = True
            self.why_not = ""

    def release(self) -> None:
        """Give it back."""
        if self._fd >= 0:
            with contextlib.suppress(OSError):
                os.close(self._fd)
            self._fd = -1
