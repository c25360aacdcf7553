"""What a history knows of one file, and how a file read now compares with that.

Source: ASC MHL 1.0 specification, sections 5.2, 5.3.3 and 6.5.1. Where it leaves open which of the
earlier hashes counts: for each format the earliest that is not ``failed``, through all renames.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum

from offload.record.mhl.model import Action, Hash, HashRecord, Head, Reference


@dataclass(frozen=True, slots=True)
class Generation:
    """One manifest of a history, without its records.

    Attributes:
        number: from 1.
        name: of the file in the ``ascmhl`` folder.
        head: what stands before its records: when, by whom, why.
        references: to nested histories.
        c4: raw digest of its bytes.
        records: how many it has.
    """

    number: int
    name: bytes
    head: Head
    references: tuple[Reference, ...]
    c4: bytes
    records: int


@dataclass(frozen=True, slots=True)
class Sighting:
    """One record of a file, and the generation in which it stands."""

    generation: Generation
    record: HashRecord


@dataclass(frozen=True, slots=True)
class Said:
    """A hash that may be checked against, and the generation that said so."""

    hash: Hash
    generation: Generation


@dataclass(frozen=True, slots=True)
class Known:
    """All that a history says of a file.

    Attributes:
        path: its path now, relative to the history's scope.
        sightings: its records through all renames, oldest first; at least one.
    """

    path: bytes
    sightings: tuple[Sighting, ...]

    @property
    def newest(self) -> HashRecord:
        """Its last record: the facts of the file as they were seen last."""
        return self.sightings[-1].record

    def usable(self) -> dict[str, Said]:
        """By format, the earliest hash that may be checked against."""
        found: dict[str, Said] = {}
        for said in self._counting():
            found.setdefault(said.hash.algorithm, said)
        return found

    def contradictions(self) -> tuple[str, ...]:
        """Formats in which a later hash that counts differs from the earliest: a broken history."""
        usable = self.usable()
        return tuple(
            sorted(
                {
                    said.hash.algorithm
                    for said in self._counting()
                    if said.hash.digest != usable[said.hash.algorithm].hash.digest
                }
            )
        )

    def _counting(self) -> Iterator[Said]:
        for sighting in self.sightings:
            for found in sighting.record.hashes:
                if found.action in (Action.ORIGINAL, Action.VERIFIED):
                    yield Said(found, sighting.generation)


class Outcome(Enum):
    """How a file that was read now compares with what is recorded."""

    AGREES = "agrees"
    DIFFERS = "differs"
    NOT_VERIFIABLE = "not-verifiable"
    """Recorded, but in no format that was worked out now; that is no success."""
    NEW = "new"
    """Not recorded by anyone."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """The outcome for one file.

    Attributes:
        outcome: see there; one format that differs outweighs all that agree.
        said: who recorded the hash that decided; None where there is none.
        found: the digest that was worked out now in that format, raw.
    """

    outcome: Outcome
    said: Said | None = None
    found: bytes = b""


def compare(known: Known | None, digests: Mapping[str, bytes]) -> Comparison:
    """Compare raw digests by format, worked out now, with what a history knows of the file."""
    if known is None:
        return Comparison(Outcome.NEW)
    agreeing: Comparison | None = None
    for algorithm, said in sorted(known.usable().items()):
        found = digests.get(algorithm)
        if found is None:
            continue
        if found != said.hash.digest:
            return Comparison(Outcome.DIFFERS, said, found)
        agreeing = agreeing or Comparison(Outcome.AGREES, said, found)
    return agreeing or Comparison(Outcome.NOT_VERIFIABLE)


_ACTIONS = {
    Outcome.AGREES: Action.VERIFIED,
    Outcome.DIFFERS: Action.FAILED,
    Outcome.NEW: Action.ORIGINAL,
}


def next_record(
    path: bytes,
    digests: Mapping[str, bytes],
    comparison: Comparison,
    *,
    size_bytes: int | None = None,
    mtime_ns: int | None = None,
    previous_path: bytes | None = None,
) -> HashRecord | None:
    """The record of a file for the next generation.

    All its hashes carry one action: ``verified`` for a new format too, since the check itself used
    an old one from the same reading; ``failed`` for every new value when one differs.

    Args:
        path: now, relative to the scope.
        digests: raw, by format, from one reading of the file.
        comparison: of these digests.
        previous_path: when this generation renames it.

    Returns:
        None where nothing can be said: the file is recorded, but in no format known here.
    """
    action = _ACTIONS.get(comparison.outcome)
    if action is None:
        return None
    hashes = tuple(Hash(name, digests[name], action) for name in sorted(digests))
    return HashRecord(path, hashes, size_bytes, mtime_ns, None, previous_path)
