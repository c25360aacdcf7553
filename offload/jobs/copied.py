"""What is to be written down of one copy, what all of a run say alike, and what lies there then."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from offload.jobs.placing import Answered, Place, without_end
from offload.jobs.same_manifest import SameManifest
from offload.record.mhl.model import FORMATS, RootHash
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.record.mhl.roots import depth_first
from offload.transfer.results import Digests
from offload.values.entries import Entries
from offload.values.paths import join


@dataclass(frozen=True, slots=True)
class Occasion:
    """What every record of one run says alike.

    Attributes:
        started_at: of the run, with zone; in every manifest's name.
        written_at: now, with zone.
        host: this machine's name.
        identity: who signs, as in the line for ``allowed_signers``.
        comment: what was done, free text.
        manifests: first manifests of this run so far; more are put in here.
        answered: carries out a look at a drive that has one of them.
    """

    started_at: datetime
    written_at: datetime
    host: str
    identity: str
    comment: str = ""
    manifests: list[SameManifest] = field(default_factory=list, compare=False)
    answered: Answered = without_end


@dataclass(slots=True)
class Recorded:
    """What lies on one drive now.

    Attributes:
        folder: the copy's folder at the end, absolute.
        manifest: the newest manifest's name.
        manifest_c4: its C4 ID.
        chain_c4: C4 ID of the chain.
        root: content and structure hashes of the copy; none when something is missing.
        unlisted: paths that a checksum list could not hold.
    """

    folder: bytes
    manifest: bytes
    manifest_c4: str
    chain_c4: str
    root: RootHash | None
    unlisted: list[bytes] = field(default_factory=list)

    @property
    def manifest_path(self) -> bytes:
        """Where the newest manifest lies, absolute."""
        return join(join(self.folder, HISTORY_FOLDER), self.manifest)


@dataclass(frozen=True, slots=True)
class Copied:
    """What is to be written down of one copy.

    Attributes:
        place: the drive.
        entries: of the card.
        states: a ``CopyState`` by entry; only what was read back and is equal is written down.
        digests: by entry.
    """

    place: Place
    entries: Entries
    states: Sequence[int]
    digests: Digests

    @property
    def formats(self) -> tuple[str, ...]:
        """Those checksums that a manifest can hold."""
        return tuple(each for each in self.digests.names if each in FORMATS)

    def path(self, number: int) -> bytes:
        """An entry's path within the copy."""
        card_path = self.entries.path(number)
        return self.place.path_in_copy(card_path)

    def in_order(self) -> list[int]:
        """Copied entries depth-first by their names in the copy, as the standard's example is."""
        twice = set(self.entries.doubled())
        numbers = [
            at
            for at in range(len(self.entries))
            if self.entries.kind(at).is_copied and at not in twice
        ]
        numbers.sort(key=lambda at: depth_first(self.path(at)))
        return numbers
