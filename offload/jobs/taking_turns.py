"""One run at a time finds its place on a drive, so that two runs never each take half of a name.

Two cards of the same roll name are put in together: without this, the one may take the name on the
first drive and the other on the second, and neither card is on both.
"""

import fcntl
import os
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress

from offload.storage.root import Root

_PATIENCE_S = 60.0
_PAUSE_S = 0.01


@contextmanager
def in_turn(roots: Iterable[Root], patience_s: float = _PATIENCE_S) -> Iterator[None]:
    """Hold every drive's top folder against other runs of this machine.

    Args:
        roots: held; the same folder twice is one.
        patience_s: after this long the block goes on without: a run that hangs holds nobody up,
            and what it has taken is found out by its lease as ever.
    """
    with ExitStack() as stack:
        # In one order in every run: nobody holds what another waits for.
        for root in _in_order(roots):
            if _is_taken(root, time.monotonic() + patience_s):
                stack.callback(_give_back, root)
        yield


def _in_order(roots: Iterable[Root]) -> list[Root]:
    by_place: dict[tuple[int, int], Root] = {}
    for root in roots:
        with suppress(OSError):
            facts = os.fstat(root.fd)
            by_place.setdefault((facts.st_dev, facts.st_ino), root)
    return [by_place[place] for place in sorted(by_place)]


def _is_taken(root: Root, until: float) -> bool:
    while True:
        try:
            fcntl.flock(root.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= until:
                return False
            time.sleep(_PAUSE_S)
        except OSError:
            # A share that knows no locks: the leases on it remain.
            return False
        else:
            return True


def _give_back(root: Root) -> None:
    if root.is_given_up:
        return  # a drive that answers nothing: its closing gives it back
    with suppress(OSError):
        fcntl.flock(root.fd, fcntl.LOCK_UN)
