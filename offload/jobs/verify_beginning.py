"""Beginning a history in a folder that has none: *create* in place (ASC MHL 1.0, section 5.6).

Every file is read once, past the cache, and written down as it is now. That proves nothing of what
it was before, so nothing is called verified but what an earlier list or manifest speaks of, and
what a nested history has recorded: these are checked in the same reading.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum

from offload.clearance.shell import quoted
from offload.errors import DriveError, UsageError, reason
from offload.events import Found
from offload.jobs.card_volumes import refuse_card
from offload.jobs.placing import ASIDE as NOT_ON_CARD
from offload.jobs.placing import INCOMPLETE
from offload.jobs.verify_place import ASIDE, open_place
from offload.jobs.verify_records import in_scope
from offload.jobs.verify_result import Answer, FileState, Verification
from offload.jobs.verifying import (
    BEGUN_MEANWHILE,
    Appending,
    Verifying,
    VerifyTools,
    VerifyWish,
)
from offload.record.mhl.ignore import Ignore
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER, MANIFEST_SUFFIX
from offload.storage.durable import is_temporary
from offload.storage.root import Root
from offload.values.entries import Kind
from offload.values.findings import Finding
from offload.values.paths import is_within, join, parent, to_text
from offload.volumes.volume import Volume

_NOTHING_READ = "Nothing was read and nothing was written."
_README = b"README.txt"
_HELD_BACK = frozenset({FileState.RECORD, FileState.LEFT_OUT})


class BeginAnswer(Enum):
    """What is to be said of it."""

    BEGUN = "history-begun"
    """Every file was read and is written down, and nothing that was recorded before differs."""
    WITH_FAULTS = "history-begun-with-faults"
    NOT_BEGUN = "no-history-begun"

    @property
    def exit_code(self) -> int:
        """What the program ends with."""
        return 0 if self is BeginAnswer.BEGUN else 1


@dataclass(frozen=True, slots=True)
class BeginWish:
    """What is asked for.

    Attributes:
        folder: whose history begins; absolute.
        appending: who signs, and which checksums are worked out.
    """

    folder: bytes
    appending: Appending


@dataclass(frozen=True, slots=True)
class Beginning:
    """What came of it.

    Attributes:
        found: in the files and in earlier records; its answer is never that of a verified folder.
        scope: of the history, as the paths in ``found`` have it.
        identity: who signed it; empty where nobody did.
        left: files that are in no record now, for another reason than their state, sorted.
    """

    found: Verification
    scope: bytes
    identity: str = ""
    left: tuple[bytes, ...] = ()

    @property
    def answer(self) -> BeginAnswer:
        """The first words."""
        if all(each.scope != self.scope for each in self.found.appended):
            return BeginAnswer.NOT_BEGUN
        return BeginAnswer.WITH_FAULTS if self.found.reasons else BeginAnswer.BEGUN

    @property
    def written(self) -> int:
        """Files in the first generation."""
        own = [each for each in self.found.appended if each.scope == self.scope]
        return sum(each.verified + each.failed + each.original for each in own)


def begin_history(wish: BeginWish, tools: VerifyTools) -> Beginning:
    """Read every file and write the first generation, nested histories' next ones before it.

    Raises:
        DriveError: the folder cannot be opened, listed, or written to.
        UsageError: there is a history in it or above it, it is on a card, or it is unfinished.
        StoppedError: the user wanted to stop; nothing was written.
    """
    _refuse_where_it_lies(wish, tools)
    place = open_place(wish.folder, tools.surroundings, needs_beside=True)
    try:
        verifying = Verifying(place, tools, "folder", None)
        _refuse_unfinished(verifying)
        appending = replace(wish.appending, begins=True)
        verifying.plan(appending)
        verifying.read()
        appended, why_not = verifying.append(appending, comment="history begun in place")
        if why_not and why_not != BEGUN_MEANWHILE and place.root.exists(_chain(place.top)):
            why_not += "; a first generation was written all the same, and it is not signed"
        left: tuple[bytes, ...] = ()
        if appended:
            left = tuple(sorted({*_tell_passed_over(verifying, tools), *_unnamed(verifying)}))
        found = verifying.result(VerifyWish(wish.folder, appending), appended, why_not)
        answer = Answer.DIFFERS if found.reasons else Answer.NOTHING_VERIFIED
        identity = wish.appending.identity if appended and place.top else ""
        return Beginning(replace(found, answer=answer), place.top, identity, left)
    finally:
        place.root.close()


def _chain(scope: bytes) -> bytes:
    return join(join(scope, HISTORY_FOLDER), CHAIN_NAME)


def _refuse_where_it_lies(wish: BeginWish, tools: VerifyTools) -> None:
    """Say before anything is read that no history can begin here."""
    real = os.path.realpath(wish.folder)
    try:
        # A card is looked at before it is known to be one: not even its times may change.
        with Root(real, keep_times=True) as root:
            volume = tools.surroundings.volume_of(root.fd)
            if tools.is_card(volume):
                refuse_card(wish.folder, volume, "Copy it; every copy gets its history then")
            _refuse_history(wish.folder, root)
    except OSError as error:
        raise DriveError(
            f"the folder cannot be opened: {reason(error)}",
            path=wish.folder,
            meaning=_NOTHING_READ,
            remedy="Plug the drive in, wait until it is mounted, then the same command.",
        ) from error
    _refuse_history_above(real, volume)
    _refuse_half_done(wish.folder, real)
    if volume.is_read_only or not os.access(real, os.W_OK):
        what = "the drive is mounted read-only" if volume.is_read_only else "it takes no write"
        raise DriveError(
            f"{what}, so no history can be written in this folder",
            path=wish.folder,
            meaning=_NOTHING_READ,
            remedy="Mount it for writing, then the same command; or copy it with a record:  "
            f"offload copy {_typed(wish.folder)}",
        )


def _refuse_history(given: bytes, root: Root) -> None:
    if not root.exists(HISTORY_FOLDER):
        return
    names = root.names(HISTORY_FOLDER)
    if CHAIN_NAME in names:
        raise UsageError(
            "this folder has a history already",
            path=given,
            meaning=_NOTHING_READ,
            remedy=f"Verify it and write its next generation:  {_append(given)}",
        )
    if any(each.endswith(MANIFEST_SUFFIX) for each in names):
        raise UsageError(
            "there are manifests of a history here, and the chain that names them is gone",
            path=join(given, HISTORY_FOLDER),
            meaning=f"{_NOTHING_READ} What they say would be lost behind a history that begins.",
            remedy="Put the chain back from another copy. If a beginning was broken off here, move "
            "this folder away, then the same command.",
        )
    if any(each != _README and not is_temporary(each) for each in names):
        raise UsageError(
            "a folder of the name that belongs to the history holds something else",
            path=join(given, HISTORY_FOLDER),
            meaning=f"{_NOTHING_READ} No tool would look for footage in there.",
            remedy="Give that folder another name, then the same command.",
        )


def _refuse_history_above(real: bytes, volume: Volume) -> None:
    folder = real
    while folder != volume.mount_point and is_within(folder, volume.mount_point.rstrip(b"/")):
        folder = parent(folder) or b"/"
        if os.path.lexists(join(folder, _chain(b""))):
            raise UsageError(
                f"a history lies above this folder, in {to_text(folder)}, and what is in here "
                "belongs to it",
                path=real,
                meaning=_NOTHING_READ,
                remedy=f"Verify that one and write its next generation:  {_append(folder)}",
            )
        if folder == b"/":
            return


def _refuse_half_done(given: bytes, real: bytes) -> None:
    endings = (INCOMPLETE, NOT_ON_CARD, ASIDE)
    for part in real.split(b"/"):
        if part.endswith(endings) and part not in endings:
            raise UsageError(
                "this is an unfinished copy, or what was kept aside of one, and nothing in it "
                "counts",
                path=given,
                meaning=_NOTHING_READ,
                remedy="Finish the copy:  offload copy CARD",
            )


def _refuse_unfinished(verifying: Verifying) -> None:
    for found in verifying.listing.half_done:
        if found.code == "incomplete":
            raise UsageError(
                "in this folder is a copy that was never finished, and its files have no lasting "
                "names yet",
                path=found.path,
                meaning=_NOTHING_READ,
                remedy="Finish that copy (offload copy CARD), or begin the history elsewhere.",
            )


def _tell_passed_over(verifying: Verifying, tools: VerifyTools) -> Iterator[bytes]:
    """Footage in a folder whose name makes every tool of the standard pass it over."""
    entries, top, ignore = verifying.listing.entries, verifying.place.top, Ignore(())
    what = "lies where every history is passed over, and is in no record: give the folder a name "
    what += "other than ascmhl"
    faults = list(verifying.faults)
    for number, state in enumerate(verifying.checked.states):
        path = entries.path(number)
        if entries.kind(number) is not Kind.FILE or state in _HELD_BACK:
            continue
        if is_within(path, top) and ignore.ignores(in_scope(top, path), is_folder=False):
            fault = Finding("passed-over", what, path)
            faults.append(fault)
            tools.sink(Found(fault))
            yield path
    verifying.faults = tuple(faults)


def _unnamed(verifying: Verifying) -> Iterator[bytes]:
    return (fault.path for fault in verifying.faults if fault.code == "name-not-recordable")


def _append(folder: bytes) -> str:
    return f"offload verify {_typed(folder)} --append"


def _typed(path: bytes) -> str:
    return quoted(path, ascii_only=False)
