"""A damaged copy put right from one that itself verifies.

Both are read whole, at once, past the cache. Files that are missing or differ are put back from
the good copy, by content and not by name; the damaged file is kept aside; nothing else is touched.
What was put back is read again from the drive, and the next generation says so. When the other
copy does not verify either, nothing is touched, and for each file it is said which copies are good.
"""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass

from offload.errors import MismatchError, OffloadError, UsageError, reason
from offload.events import Found
from offload.jobs.mend_files import REPLACED, Repair, put_back
from offload.jobs.mend_result import GoodIn, MendAnswer, Mended, Mending
from offload.jobs.tools import StoppedError
from offload.jobs.verify_locks import rolls_locked
from offload.jobs.verify_result import GOOD, TOLERATED, FileState, Verification
from offload.jobs.verifying import (
    Appending,
    Verifying,
    VerifyTools,
    VerifyWish,
    begin_verifying,
    read_all,
    told_step,
)
from offload.record.claims import Claim
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.storage.durable import remove_temporary
from offload.transfer.counters import Lane
from offload.values.facts import ReadBack
from offload.values.findings import Finding
from offload.values.paths import join, name, parent, to_text

_MENDABLE = (FileState.DIFFERS, FileState.MISSING, FileState.UNREADABLE)
_SHOWN = (ReadBack.DEVICE, ReadBack.SERVER)
_COPY, _OTHER = "this copy", "other copy"


@dataclass(frozen=True, slots=True)
class MendWish:
    """What is asked for.

    Attributes:
        folder: the copy that is to be mended.
        source: the copy that it is to be mended from.
        appending: who writes the next generation.
    """

    folder: bytes
    source: bytes
    appending: Appending


def mend_folder(wish: MendWish, tools: VerifyTools) -> Mending:
    """Mend one copy from another.

    Raises:
        DriveError: one of them cannot be opened or listed.
        UsageError: they are one, or one lies in the other.
        BusyError: a run is working on a roll that is to be mended.
        StoppedError: the user wanted to stop; what was put back by then is whole.
    """
    _refuse_one_in_the_other(wish)
    with ExitStack() as stack:
        copy, other, asked = _begin_both(wish, tools, stack)
        read_all([copy, other], tools)
        mending = _Mending(wish, tools, copy, other, asked)
        return mending.whole()


class _Mending:
    """One mending under way, both copies read."""

    def __init__(
        self,
        wish: MendWish,
        tools: VerifyTools,
        copy: Verifying,
        other: Verifying,
        asked: tuple[str, ...],
    ) -> None:
        self._asked = asked
        self._wish = wish
        self._tools = tools
        self._copy = copy
        self._other = other
        self._before = copy.result(VerifyWish(wish.folder))
        self._found_other = other.result(VerifyWish(wish.source))
        self._damaged = sorted(_damaged(copy))

    def whole(self) -> Mending:
        """Refuse, or put back what can be put back, and look at the result."""
        if not self._damaged:
            self._clear_away()
            return Mending(MendAnswer.NOTHING_TO_MEND, self._before, self._found_other)
        why_not = self._why_not()
        if why_not:
            return self._refused(why_not)
        repairs, failed = self._repairs()
        if not repairs:
            return self._refused("the other copy has none of the files that are to be mended")
        place = self._copy.place
        with (
            told_step("mending", self._tools),
            rolls_locked(place.root, self._copy.listing.records_folders, place.shown),
        ):
            mended = list(self._put_all_back(repairs, failed))
        if not mended:
            return self._refused("none of the files could be put back", failed)
        after = self._verify_again()
        is_whole = not failed and not after.count(*_MENDABLE)
        return Mending(
            MendAnswer.MENDED if is_whole else MendAnswer.PARTLY,
            self._before,
            self._found_other,
            after,
            mended=tuple(mended),
            failed=tuple(failed),
        )

    def _clear_away(self) -> None:
        """Half a generation, of a mending that was killed when all had been put back."""
        place, records_folders = self._copy.place, self._copy.listing.records_folders
        with (
            suppress(OSError, OffloadError),
            rolls_locked(place.root, records_folders, place.shown),
        ):
            for scope in self._copy.records.claims.custody.histories:
                remove_temporary(place.root, join(scope, HISTORY_FOLDER))

    def _refused(self, why_not: str, failed: Sequence[Finding] = ()) -> Mending:
        return Mending(
            MendAnswer.REFUSED,
            self._before,
            self._found_other,
            why_not=why_not,
            failed=tuple(failed),
            good_in=tuple(self._good_in()),
        )

    def _why_not(self) -> str:
        if self._copy.place.volume.is_read_only:
            return "the drive of this copy is mounted read-only"
        if not _has_sound_record(self._copy):
            return "the record of this copy is broken or was changed, so it cannot say what is good"
        if not _has_sound_record(self._other):
            return "the record of the other copy is broken or was changed"
        if not _is_whole(self._found_other):
            return "the other copy does not verify either"
        if self._other.checked.read_back not in _SHOWN:
            return "the other copy was not shown to have been read from its drive"
        return ""

    def _good_in(self) -> Iterator[GoodIn]:
        """Where every file that is not good in both is good, as far as either record tells."""
        theirs = _Contents(self._other, self._copy, self._damaged)
        for path in self._damaged:
            yield GoodIn(path, in_copy=False, in_other=theirs.find(path) is not None)
        damaged = sorted(_damaged(self._other))
        ours = _Contents(self._copy, self._other, damaged)
        for path in damaged:
            # What is good in neither was told above, by the name that it has in this copy.
            if ours.find(path) is not None:
                yield GoodIn(path, in_copy=True, in_other=False)

    def _repairs(self) -> tuple[list[Repair], list[Finding]]:
        contents = _Contents(self._other, self._copy, self._damaged)
        repairs: list[Repair] = []
        failed: list[Finding] = []
        for path in self._damaged:
            found = contents.find(path)
            if found is None:
                what = "no file of the other copy has what is recorded of it"
                failed.append(Finding("not-in-other", what, path))
            else:
                repairs.append(self._repair(path, found))
        return repairs, failed

    def _repair(self, path: bytes, number: int) -> Repair:
        claims = _claims_of(self._copy, path)
        algorithms = sorted({each for claim in claims for each in claim.algorithms})
        return Repair(
            path,
            _scope_of(self._copy, path, claims),
            self._other.listing.entries.path(number),
            tuple(algorithms),
            lambda digests: _agree(claims, digests),
        )

    def _put_all_back(self, repairs: Sequence[Repair], failed: list[Finding]) -> Iterator[Mended]:
        lane = self._tools.progress.copying.drives.setdefault(_COPY, Lane(_COPY))
        root, other = self._copy.place.root, self._other.place.root
        for repair in repairs:
            if self._tools.is_stopped():
                raise _stopped(self._wish.folder)
            try:
                aside = put_back(root, other, repair, lane.moved)
            except MismatchError as error:
                failed.append(Finding("not-put-back", error.what, repair.path))
            except OSError as error:
                failed.append(Finding("not-put-back", reason(error), repair.path))
            else:
                yield Mended(repair.path, aside, join(other.path, repair.source))
                continue
            self._tools.sink(Found(failed[-1]))

    def _verify_again(self) -> Verification:
        """What was put back is read from the drive once more; the rest was read in this run."""
        has_history = bool(self._copy.records.claims.custody.histories)
        appending = self._wish.appending if has_history else None
        again = begin_verifying(self._wish.folder, self._tools, name=_COPY)
        try:
            again.plan(appending, self._asked)
            _carry(self._copy, again)
            self._tools.progress.proving.drives.clear()
            read_all([again], self._tools)
            top = any(not _scope_of(again, path, ()) for path in self._damaged)
            appended, why_not = again.append(
                appending,
                comment=f"mended from {to_text(name(self._wish.source))}",
                patterns=(f"/{REPLACED.decode('ascii')}/",) if top else (),
            )
            return again.result(VerifyWish(self._wish.folder), appended, why_not)
        finally:
            again.close()


class _Contents:
    """The good files of a copy, looked up by what another record says of a damaged one."""

    def __init__(self, verifying: Verifying, asking: Verifying, damaged: Iterable[bytes]) -> None:
        self._verifying = verifying
        self._asking = asking
        self._by_digest: dict[tuple[str, bytes], list[int]] = {
            (algorithm, claim.digest): []
            for path in damaged
            for claim in _claims_of(asking, path)
            for algorithm in claim.algorithms
        }
        checked = verifying.checked
        for number in verifying.checker.recorded_numbers():
            if FileState(checked.states[number]) in GOOD:
                for algorithm in checked.digests.names:
                    digest = checked.digests.get(algorithm, number)
                    if digest is not None and (algorithm, digest) in self._by_digest:
                        self._by_digest[algorithm, digest].append(number)

    def find(self, path: bytes) -> int | None:
        """A file that has everything that is recorded of ``path``; of several, one of its name."""
        claims = _claims_of(self._asking, path)
        found = {
            number
            for claim in claims
            for algorithm in claim.algorithms
            for number in self._by_digest.get((algorithm, claim.digest), ())
        }
        fitting = [number for number in sorted(found) if self._fits(number, claims)]
        entries = self._verifying.listing.entries
        named = [number for number in fitting if name(entries.path(number)) == name(path)]
        return next(iter([*named, *fitting]), None)

    def _fits(self, number: int, claims: Sequence[Claim]) -> bool:
        columns = self._verifying.checked.digests
        digests = {each: columns.get(each, number) for each in columns.names}
        return _agree(claims, {each: found for each, found in digests.items() if found is not None})


def _begin_both(
    wish: MendWish, tools: VerifyTools, stack: ExitStack
) -> tuple[Verifying, Verifying, tuple[str, ...]]:
    """Both copies opened and their records loaded, to be read with what either record asks for."""
    copy = begin_verifying(wish.folder, tools, name=_COPY)
    stack.callback(copy.close)
    other = begin_verifying(wish.source, tools, name=_OTHER)
    stack.callback(other.close)
    asked = tuple(sorted(_algorithms(copy) | _algorithms(other)))
    copy.plan(wish.appending, asked)
    other.plan(keeps_digests=asked)
    return copy, other, asked


def _algorithms(verifying: Verifying) -> set[str]:
    claims = verifying.records.claims
    return {each for path in claims.expected() for each in claims.algorithms_for(path)}


def _damaged(verifying: Verifying) -> set[bytes]:
    """Where files that can be put back lie or should lie."""
    entries, states = verifying.listing.entries, verifying.checked.states
    found = {
        entries.path(number)
        for number in verifying.checker.recorded_numbers()
        if states[number] in _MENDABLE
    }
    return found | verifying.checked.missing.keys()


def _claims_of(verifying: Verifying, path: bytes) -> tuple[Claim, ...]:
    number = verifying.listing.number(path)
    names = verifying.checker.names_of(number) if number is not None else (path,)
    return tuple(claim for each in names for claim in verifying.records.claims.of(each))


def _scope_of(verifying: Verifying, path: bytes, claims: Sequence[Claim]) -> bytes:
    """The folder beside which the damaged file is kept: that of the history, else of a list."""
    scope = verifying.records.claims.custody.scope_of(parent(path))
    if scope is None and claims:
        return claims[0].source.scope
    return scope or b""


def _agree(claims: Sequence[Claim], digests: Mapping[str, bytes]) -> bool:
    """Whether digests are what every claim says that can be compared, and one can."""
    answers = [claim.agrees(digests) for claim in claims]
    return True in answers and False not in answers


def _has_sound_record(verifying: Verifying) -> bool:
    is_signed_well = all(each.state in TOLERATED for each in verifying.signatures)
    claims = verifying.records.claims
    return is_signed_well and not claims.custody.faults and bool(verifying.records.found)


def _is_whole(found: Verification) -> bool:
    """Whether every recorded file of a copy is as recorded, whatever else lies beside it."""
    return found.recorded > 0 and found.good == found.recorded and not found.faults


def _carry(before: Verifying, again: Verifying) -> None:
    """What was read in this run and is still the same file need not be read again."""
    if before.checked.read_back not in _SHOWN:
        return
    for number in again.checker.recorded_numbers():
        path = again.listing.entries.path(number)
        old = before.listing.number(path)
        if old is None or FileState(before.checked.states[old]) not in GOOD:
            continue
        size = again.listing.entries.size_bytes(number)
        try:
            facts = again.place.root.facts(path)
        except OSError:
            continue
        if before.checked.is_still(old, facts, size):
            columns = before.checked.digests
            found = {each: columns.get(each, old) for each in columns.names}
            digests = {each: digest for each, digest in found.items() if digest is not None}
            again.checker.carry(number, digests)


def _refuse_one_in_the_other(wish: MendWish) -> None:
    copy, other = os.path.realpath(wish.folder), os.path.realpath(wish.source)
    if (
        copy == other
        or (copy + b"/").startswith(other + b"/")
        or (other + b"/").startswith(copy + b"/")
    ):
        raise UsageError(
            "the copy to be mended and the one to mend it from are one, or one lies in the other",
            path=wish.folder,
            meaning="Nothing was read and nothing was touched.",
            remedy=f"offload mend {to_text(wish.folder)} --from ANOTHER-COPY",
        )


def _stopped(folder: bytes) -> StoppedError:
    return StoppedError(
        "stopped. What was put back by now is whole, and what was not is as it was",
        path=folder,
        meaning="No generation was written.",
        remedy="The same command goes on from there.",
    )
