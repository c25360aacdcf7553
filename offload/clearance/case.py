"""Facts made ready to be judged, and a reason before it is put into words."""

from collections.abc import Sequence
from dataclasses import dataclass

from offload.clearance.counting import Separation, exclusion, is_proven
from offload.clearance.groups import Group, Groups
from offload.values.entries import Kind
from offload.values.facts import CardState, Facts


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the card is kept.

    Attributes:
        code: of a hold in the closed table.
        paths: the entries concerned.
        drives: names of the drives concerned, raw.
        details: further sentences, escaped.
    """

    code: str
    paths: Sequence[bytes] = ()
    drives: tuple[str, ...] = ()
    details: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Case:
    """Facts, and what follows from them alone.

    Attributes:
        facts: as given.
        groups: the inventory's entries by what is known of them.
        exclusions: for each drive the code of why nothing on it counts; empty where it may count.
        separation: which drives are separate.
        needed: copies asked for; 1 where what was asked for makes no sense (a hold of its own).
    """

    facts: Facts
    groups: Groups
    exclusions: tuple[str, ...]
    separation: Separation
    needed: int

    @classmethod
    def of(cls, facts: Facts) -> "Case":
        """Works out what follows from ``facts``."""
        needed = facts.policy.copies_needed
        return cls(
            facts,
            Groups(facts),
            tuple(exclusion(drive, facts) for drive in facts.drives),
            Separation(facts.drives, facts.policy),
            needed if is_count(needed) else 1,
        )

    def proven_on(self, group: Group) -> int:
        """Mask of the drives that may count and on which these entries are proven."""
        return sum(
            1 << at
            for at, drive in enumerate(self.facts.drives)
            if not self.exclusions[at] and is_proven(group.copies[at], drive)
        )

    def copies(self, group: Group) -> int:
        """Number of separate proven copies of these entries."""
        return self.separation.copies(self.proven_on(group))

    def is_enough(self, group: Group) -> bool:
        """Whether these entries are on as many separate drives as were asked for."""
        return self.copies(group) >= self.needed

    def is_safe(self, group: Group) -> bool:
        """Whether the card may lose these entries: proven there and here, or nothing but text."""
        if group.kind is Kind.LINK:
            return group.card is CardState.FROM_LINK
        return group.needs_copies and group.card is CardState.READ_EQUAL and self.is_enough(group)

    @property
    def files(self) -> int:
        """Number of files on the card."""
        return sum(group.count for group in self.groups.all if group.kind is Kind.FILE)


def is_count(value: int) -> bool:
    """Whether this is a whole number from 1; a setting or a ledger may hand in anything."""
    return type(value) is int and value >= 1
