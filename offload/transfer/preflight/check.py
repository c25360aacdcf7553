"""Everything that stands in the way, found together, before the first byte.

Pure: the job hands in what it opened and asked, and does what the answer says.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from offload.transfer.preflight.content import about_content
from offload.transfer.preflight.existing import Existing, Use
from offload.transfer.preflight.file_systems import kind_of
from offload.transfer.preflight.identity import about_drive
from offload.transfer.preflight.mapping import assert_holdable, mapped_names
from offload.transfer.preflight.name_map import NameMap
from offload.transfer.preflight.problems import Consequence, Problem, drop
from offload.transfer.preflight.proposal import Proposal, ProposedDrive
from offload.transfer.preflight.room import about_room
from offload.transfer.preflight.separation import (
    about_card,
    about_counting,
    about_number,
    about_place,
    about_same_folders,
    about_shared_devices,
)
from offload.transfer.preflight.space import SpaceNeed, space_needed
from offload.values.facts import Policy
from offload.values.findings import Finding
from offload.values.paths import join, shown, to_text

_ORDER = {consequence: at for at, consequence in enumerate(Consequence)}


@dataclass(frozen=True, slots=True)
class DrivePlan:
    """What will be done on one drive, when nothing drops it.

    Attributes:
        name: the drive's.
        names: how the card's names are written there.
        existing: what lies there already.
        need: the room that the rest takes.
    """

    name: str
    names: NameMap
    existing: Existing
    need: SpaceNeed


@dataclass(frozen=True, slots=True)
class Preflight:
    """The answer.

    Attributes:
        problems: stops first, then dropped drives in their order, then what will be held later.
        plans: one for each drive that was opened, in the order given.
        notices: what keeps nothing.
    """

    problems: tuple[Problem, ...]
    plans: tuple[DrivePlan, ...]
    notices: tuple[Finding, ...] = ()

    @property
    def is_stopped(self) -> bool:
        """Whether nothing may be copied at all."""
        return any(problem.kind is Consequence.STOP for problem in self.problems)

    @property
    def dropped(self) -> frozenset[str]:
        """Names of the drives that get no byte."""
        return frozenset(
            problem.drive for problem in self.problems if problem.kind is Consequence.DROP_DRIVE
        )


def check(proposal: Proposal) -> Preflight:
    """Look at everything and say it all at once."""
    policy = _fitting(proposal)
    card, drives = proposal.card, proposal.drives
    plans = {drive.name: _plan(proposal, drive) for drive in drives if not drive.refusal}
    found: list[Problem] = [*about_card(proposal), *about_content(card.entries)]
    for drive in drives:
        found += about_place(card, drive)
        found += about_drive(drive)
        found += _about_existing(drive)
    found += about_same_folders([drive for drive in drives if not drive.refusal])
    found += about_room(_left(drives, found), {name: plan.need for name, plan in plans.items()})
    left = _left(drives, found)
    for drive in left:
        found += about_counting(card, drive, policy)
    found += about_shared_devices(left, policy)
    found += about_number(card, left, policy)
    notices = [notice for drive in left for notice in _notices(drive, plans[drive.name])]
    return Preflight(_in_order(found, drives), tuple(plans.values()), tuple(notices))


def _plan(proposal: Proposal, drive: ProposedDrive) -> DrivePlan:
    kind = kind_of(drive.fs_type)
    rules = drive.rules or kind.names
    names = drive.names
    if names is None:
        names = mapped_names(proposal.card.entries, rules)
    assert_holdable(names, rules)
    need = space_needed(
        proposal.card.entries,
        kind,
        drive.cluster_bytes,
        existing=drive.existing,
        largest_file_bytes=drive.largest_file_bytes,
        reserve_bytes=drive.reserve_bytes,
    )
    return DrivePlan(drive.name, names, drive.existing, need)


def _about_existing(drive: ProposedDrive) -> Iterator[Problem]:
    if drive.existing.use is not Use.REFUSE:
        return
    place = to_text(join(drive.path, drive.folder))
    others = drive.existing.others
    what = f"such as {to_text(others[0])}" if others else "an empty folder"
    yield drop(
        "other-material",
        f"On {shown(drive.name)} there is something else under the roll's name ({place}: {what}), "
        "and nothing is ever overwritten.",
        "Give the roll another name, or move that folder away:  offload copy --roll NAME",
        drive=drive.name,
        paths=others,
    )


def _notices(drive: ProposedDrive, plan: DrivePlan) -> Iterator[Finding]:
    if plan.names:
        path, new = plan.names.names[0]
        count = len(plan.names)
        what = "1 name is" if count == 1 else f"{count} names are"
        text = f"{what} written otherwise there, such as {to_text(path)} as {to_text(new)}"
        yield Finding("name-mapped", f"{text}; the record lists all of them", drive=drive.name)
    if drive.existing.shown_differently:
        count = drive.existing.shown_differently
        yield Finding(
            "case-shown-differently",
            f"{count} of the names there are shown in other letters than on the card",
            drive=drive.name,
        )
    if drive.is_unclean:
        text = "was not unmounted cleanly; have its file system checked when the card is done"
        yield Finding("drive-unclean", text, drive=drive.name)


def _fitting(proposal: Proposal) -> Policy:
    """What was declared of drives that take part; anything else declares nothing here."""
    names = {drive.name for drive in proposal.drives}
    pairs = (pair for pair in proposal.policy.declared_separate if len(pair) == 2)
    fitting = frozenset(pair for pair in pairs if pair <= names)
    return replace(proposal.policy, declared_separate=fitting)


def _left(drives: Iterable[ProposedDrive], found: Iterable[Problem]) -> list[ProposedDrive]:
    """The drives that nothing found so far takes out."""
    out = {each.drive for each in found if each.kind is not Consequence.HELD_LATER}
    return [drive for drive in drives if drive.name not in out]


def _in_order(found: Iterable[Problem], drives: tuple[ProposedDrive, ...]) -> tuple[Problem, ...]:
    """Each problem once: by what it does, then by drive; what is about the card comes first."""
    numbers = {drive.name: at for at, drive in enumerate(drives, 1)}
    once = dict.fromkeys(found)
    return tuple(
        sorted(once, key=lambda problem: (_ORDER[problem.kind], numbers.get(problem.drive, 0)))
    )
