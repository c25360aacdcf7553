"""Names of manifests in a history, of the chain and of the folder that holds both.

Source: ASC MHL 1.0 specification, sections 5.3.1, 6.3, 7.3 and 8.3.
"""

import re
from dataclasses import dataclass
from datetime import UTC, datetime

from offload.record.mhl.text import holds_name
from offload.values.paths import to_text

HISTORY_FOLDER = b"ascmhl"
CHAIN_NAME = b"ascmhl_chain.xml"
COLLECTION_NAME = b"ascmhl_collection.xml"
README_NAME = b"README.txt"
"""Free text beside the chain; no part of the history."""

MANIFEST_SUFFIX = b".mhl"

_NAME_LIMIT_BYTES = 255
_FORM = re.compile(rb"(\d{4,})_(.+)_(\d{4}-\d{2}-\d{2}_\d{6})(Z?)\.mhl", re.DOTALL)


@dataclass(frozen=True, slots=True)
class ManifestName:
    """The parts of a manifest's name.

    Attributes:
        number: of the generation.
        folder: name of the scope's folder.
        started_at: UTC, when the operation started that made it.
        is_to_the_letter: ends in ``Z`` as the standard asks.
    """

    number: int
    folder: bytes
    started_at: datetime
    is_to_the_letter: bool = True


def manifest_name(number: int, folder: bytes, started_at: datetime) -> bytes:
    """``0001_A001_2024-05-01_080000Z.mhl``.

    Args:
        number: of the generation, from 1.
        folder: name of the scope's folder, of the volume where the scope is a volume's root. One
            that XML cannot hold is written in its escaped form, a very long one is cut.
        started_at: start of the operation, with zone; the same for every manifest that it writes.
    """
    head = b"%04d_" % number
    tail = started_at.astimezone(UTC).strftime("_%Y-%m-%d_%H%M%SZ.mhl").encode("ascii")
    room = _NAME_LIMIT_BYTES - len(head) - len(tail)
    return head + _cut(_shown(folder), room) + tail


def read_manifest_name(name: bytes) -> ManifestName | None:
    """The parts of a name; None if it is not named as a manifest of a history is."""
    found = _FORM.fullmatch(name)
    if found is None:
        return None
    number, folder, stamp, mark = found.groups()
    try:
        started_at = datetime.strptime(stamp.decode("ascii"), "%Y-%m-%d_%H%M%S")
    except ValueError:
        return None
    return ManifestName(int(number), folder, started_at.replace(tzinfo=UTC), bool(mark))


def _shown(folder: bytes) -> bytes:
    if not folder or b"/" in folder:
        raise ValueError("the name of one folder is needed")
    return folder if holds_name(folder) else to_text(folder).encode("utf-8")


def _cut(folder: bytes, room: int) -> bytes:
    if len(folder) <= room:
        return folder
    return folder[:room].decode("utf-8", "ignore").encode("utf-8")
