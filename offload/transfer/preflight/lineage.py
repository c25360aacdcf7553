"""What a folder is and what it lies in, by identity: names and links cannot hide it.

The identities of the folder and of every folder above it, up to the root. Two folders lie inside
each other when the identity of one is in the lineage of the other, also where a bind mount or a
link gives it another path.
"""

import os

from offload.transfer.preflight.proposal import Place

_DEEPEST = 4096
# A folder above may be closed to this user for reading and yet be passed through (open(2), O_PATH).
_FLAGS = getattr(os, "O_PATH", os.O_RDONLY) | os.O_DIRECTORY | os.O_CLOEXEC


def lineage_of(folder: int) -> tuple[Place, ...]:
    """The lineage of an open folder, itself first.

    Args:
        folder: descriptor; stays open, its position unchanged.

    Raises:
        OSError: a folder above cannot be looked at.
    """
    found: list[Place] = []
    here = os.dup(folder)
    try:
        for _ in range(_DEEPEST):
            facts = os.fstat(here)
            place = (facts.st_dev, facts.st_ino)
            if found and place == found[-1]:
                break
            found.append(place)
            above = os.open(b"..", _FLAGS, dir_fd=here)
            os.close(here)
            here = above
    finally:
        os.close(here)
    return tuple(found)
