"""Some files of a folder against their records; the others are not read.

"Verify" may take a subset, and "append" then holds the files that were read and no other (ASC MHL
1.0, section 5.6). So neither a clearance nor a receipt is judged here: both are about a whole copy.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

from offload.errors import UsageError
from offload.jobs.verify_plan import Plan
from offload.jobs.verify_result import Answer, FileState, Verification
from offload.jobs.verifying import (
    Appending,
    Verifying,
    VerifyTools,
    VerifyWish,
    begin_verifying,
)
from offload.values.paths import is_clean, is_within, join


class PartAnswer(Enum):
    """What is to be said of the chosen files."""

    AS_RECORDED = "part-as-recorded"
    """Every one was read and is as recorded, and no record is broken."""
    DIFFERS = "differs"
    ADDED = "added"
    """Nobody had recorded any of them before; now they are."""
    NOTHING_VERIFIED = "nothing-verified"

    @property
    def exit_code(self) -> int:
        """What the program ends with."""
        return {PartAnswer.DIFFERS: 1, PartAnswer.NOTHING_VERIFIED: 3}.get(self, 0)


@dataclass(frozen=True, slots=True)
class PartWish:
    """What is asked for.

    Attributes:
        folder: that has the records; absolute.
        only: files and folders in it, relative to it.
        appending: None for looking only.
    """

    folder: bytes
    only: tuple[bytes, ...]
    appending: Appending | None = None


@dataclass(frozen=True, slots=True)
class PartVerification:
    """What came of it.

    Attributes:
        found: of the chosen files alone; its answer is never that of a whole folder.
        others: recorded files that were not chosen, and not read.
    """

    found: Verification
    others: int

    @property
    def answer(self) -> PartAnswer:
        """The first words."""
        if self.found.reasons:
            return PartAnswer.DIFFERS
        if self.found.recorded:
            return PartAnswer.AS_RECORDED
        return PartAnswer.ADDED if self.found.appended else PartAnswer.NOTHING_VERIFIED


def verify_part(wish: PartWish, tools: VerifyTools) -> PartVerification:
    """Read the chosen files and judge them.

    Raises:
        DriveError: the folder cannot be opened or listed.
        UsageError: a chosen path is none, or leads to nothing that can be verified or added.
        StoppedError: the user wanted to stop.
    """
    verifying = begin_verifying(wish.folder, tools)
    try:
        verifying.plan(wish.appending)
        others = _narrow(verifying, wish)
        verifying.read()
        appended, why_not = verifying.append(
            wish.appending, comment="verified in part", has_folders=False
        )
        found = verifying.result(VerifyWish(wish.folder, wish.appending), appended, why_not)
        return PartVerification(_of_chosen(found), others)
    finally:
        verifying.close()


def _narrow(verifying: Verifying, wish: PartWish) -> int:
    """Take everything out of the plan that was not chosen; how many recorded files that were."""
    checker, listing = verifying.checker, verifying.listing
    plan = checker.plan
    before = len(plan.recorded) + len(plan.missing)
    chosen = [_below(verifying, path, wish) for path in wish.only]
    for given, path in zip(wish.only, chosen, strict=True):
        if not any(is_within(one, path) for one in _all_paths(verifying, plan)):
            raise UsageError(
                "nothing that is recorded here has this path",
                path=given,
                meaning="Nothing was read.",
                remedy="offload verify FOLDER --names-only  says what is recorded and what is not.",
            )

    def is_chosen(path: bytes) -> bool:
        return any(is_within(path, one) for one in chosen)

    def is_chosen_entry(number: int) -> bool:
        return is_chosen(listing.entries.path(number)) or any(
            map(is_chosen, plan.names_of(number, listing))
        )

    left = [number for number in plan.recorded if not is_chosen_entry(number)]
    passed = [plan.names_of(number, listing) for number in left]
    for names in (*passed, *((path,) for path in plan.missing if not is_chosen(path))):
        checker.pass_over(names)
    plan.recorded[:] = filter(is_chosen_entry, plan.recorded)
    plan.strangers[:] = filter(is_chosen_entry, plan.strangers)
    _keep(checker.checked.missing, is_chosen)
    _keep(plan.missing, is_chosen)
    return before - len(plan.recorded) - len(plan.missing)


def _keep(missing: dict[bytes, str], is_chosen: Callable[[bytes], bool]) -> None:
    for path in [path for path in missing if not is_chosen(path)]:
        del missing[path]


def _all_paths(verifying: Verifying, plan: Plan) -> list[bytes]:
    listing = verifying.listing
    paths = [listing.entries.path(number) for number in plan.to_read]
    paths += [path for number in plan.recorded for path in plan.names_of(number, listing)]
    return [*paths, *plan.missing]


def _below(verifying: Verifying, path: bytes, wish: PartWish) -> bytes:
    """A chosen path as the listing has it."""
    prefix = wish.folder.rstrip(b"/") + b"/"
    relative = path.removeprefix(prefix).rstrip(b"/")
    if not is_clean(relative):
        raise UsageError(
            "this is not in the folder that is verified",
            path=path,
            meaning="Nothing was read.",
            remedy="Name files and folders as they are called from FOLDER.",
        )
    return join(verifying.place.top, relative)


def _of_chosen(found: Verification) -> Verification:
    counts: dict[FileState, int] = {
        state: count
        for state, count in found.counts.items()
        if state not in (FileState.NOT_READ, FileState.NOT_RECORDED)
    }
    reasons = tuple(each for each in found.reasons if each != FileState.NOT_READ.word)
    reasons = tuple(each for each in reasons if not each.startswith(("clearance-", "descent-")))
    return replace(
        found,
        # Never that of a whole folder, whoever looks at it.
        answer=Answer.DIFFERS if reasons else Answer.NOTHING_VERIFIED,
        counts=counts,
        reasons=reasons,
        coverage=(),
        clearances=(),
        descents=(),
    )
