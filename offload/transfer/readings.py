"""What a reading of one root is for, and what it says of each file."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Thread
from typing import Protocol

from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.transfer.results import Marks, ZeroRuns
from offload.values.facts import ReadBack
from offload.values.findings import Finding

CARD = ""
"""Key of the card's own reading; every drive has a name, so none can pass for the card."""


class Outcome:
    """What one reading says of one file. Values of a byte column.

    Where nothing was expected and the caller compares (``may_share``), ``EQUAL`` is "read whole".
    """

    NOT_READ = 0
    EQUAL = 1
    DIFFERS = 2
    UNREADABLE = 3
    MISSING = 4
    CHANGED = 5
    EQUAL_CACHED = 6
    """Equal, but its pages could not be dropped first."""
    SHARED = 7
    """Has other names (hard links), or is no regular file or folder of its own."""


class Expected(Protocol):
    """Digests to compare with; see :class:`offload.transfer.results.Digests`."""

    def get(self, name: str, number: int, /) -> bytes | None:
        """The digest that a file must have; nothing where it is not known."""
        ...


Take = Callable[[int, Mapping[str, bytes]], None]
"""Given an entry's number and its raw digests by algorithm, once it has been read whole; called in
the reader's thread, one file after the other."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one root is to be read for.

    Attributes:
        key: :data:`CARD`, or the drive's name.
        root: held descriptor; the pass opens a handle of its own.
        medium: how the reading can be shown to come from the device.
        path_of: the path below the root, for an entry's number.
        numbers: entries to read, in order.
        is_folder: whether an entry is an empty folder, which is looked for and not read.
        is_card: reads patiently, and hard links are the camera's business.
        may_share: a file with several names is read all the same; the caller tells them apart.
        algorithms: further checksums that the one reading of a file has to work out.
        take: told the digests of each file.
        zero_runs: takes the blocks of zeros that are met.
    """

    key: str
    root: Root
    medium: Medium
    path_of: Callable[[int], bytes]
    numbers: Sequence[int]
    is_folder: Callable[[int], bool]
    is_card: bool = False
    may_share: bool = False
    algorithms: Callable[[int], Collection[str]] | None = None
    take: Take | None = None
    zero_runs: ZeroRuns | None = None


@dataclass(slots=True)
class ReadingResult:
    """What one root's reading found.

    Attributes:
        outcomes: an :class:`Outcome` byte for each entry of the inventory.
        marks: facts of each file at this reading.
        read_back: by what the evidence says of the pass; for files that are ``EQUAL``.
        findings: errors and differences, with their words.
        found: entry number -> digest found, where it is not the one expected or none was.
        hanging: the thread that hangs in a call to a drive that has fallen silent.
        silence: what is said of that drive.
    """

    outcomes: bytearray
    marks: Marks
    read_back: ReadBack = ReadBack.NONE
    findings: list[Finding] = field(default_factory=list)
    found: dict[int, bytes] = field(default_factory=dict)
    hanging: Thread | None = None
    silence: str = ""

    @property
    def differing(self) -> set[int]:
        """Entries whose bytes are not the ones expected."""
        return {number for number in self.found if self.outcomes[number] == Outcome.DIFFERS}
