"""Giving a roll another name: on every drive alike, by exclusive renames, with the old name kept.

Order on each drive, such that a power cut leaves something that the same command goes on from:
the roll's folder, its records folder, the lists under their new names and signed, the list of
names that it had, and last the lease ``run.json`` with the new name. Then every file is read again
and the next generation says so. The ledger follows when all drives have done it.
"""

import contextlib
import hashlib
import json
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import BinaryIO

from offload.card.naming import checked_roll
from offload.errors import DriveError, OffloadError, RecordError, UsageError, reason
from offload.jobs.lease import Lock, Run, read_run, write_run
from offload.jobs.opening import HeldDrive, open_drive
from offload.jobs.placing import INCOMPLETE, PARTIAL, RECORDS
from offload.jobs.recording import LIST_SUFFIXES, SIGNATURE
from offload.jobs.tools import Tools
from offload.jobs.verify_result import Answer, Verification
from offload.jobs.verifying import Appending, VerifyTools, VerifyWish, begin_verifying
from offload.jobs.wishes import DriveWish
from offload.ledger import card_rolls, copies, drives, rolls
from offload.ledger.copies import Copy
from offload.ledger.rolls import Renaming, Roll
from offload.record.signers import SignerEntry, Signers
from offload.record.sshsig import sign_digest
from offload.record.sums import SumLine, read_sums, write_sums
from offload.storage.durable import growing, sha512_of, write_new
from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.values.paths import join, parent, shown

NAMES_BEFORE = b"names-before.json"
"""Beside the lists of a roll: what it was called before, by whom and why it was changed."""

_SMALL_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class RenameWish:
    """One renaming.

    Attributes:
        roll: its number in the ledger.
        new: the new name; checked here.
        by, because: who and why.
        checksums: names, for the next generation.
        here_only: rename on the drives that are here, though others keep the old name.
    """

    roll: int
    new: str
    by: str
    because: str
    checksums: tuple[str, ...]
    here_only: bool = False


@dataclass(frozen=True, slots=True)
class RenamedCopy:
    """One drive's part.

    Attributes:
        drive: its name.
        path: the roll's folder now, absolute.
        verification: of the reading after it.
    """

    drive: str
    path: bytes
    verification: Verification

    @property
    def is_good(self) -> bool:
        """Whether every file was read and is as recorded."""
        return self.verification.answer is Answer.AS_RECORDED


@dataclass(frozen=True, slots=True)
class Renamed:
    """What a renaming came to.

    Attributes:
        old, new: names.
        copies: one for each drive that was here.
        left_out: names of drives that keep the old name.
    """

    old: str
    new: str
    copies: tuple[RenamedCopy, ...]
    left_out: tuple[str, ...]


@dataclass(slots=True)
class _Part:
    """One drive while it is done."""

    drive: HeldDrive
    copy: Copy
    base: bytes
    run: Run
    lock: Lock

    def at(self, name: str) -> bytes:
        return join(self.base, _raw(name))

    def records(self, name: str) -> bytes:
        return join(join(self.base, RECORDS), _raw(name))


def rename_roll(wish: RenameWish, tools: Tools) -> Renamed:
    """Rename a roll on every drive.

    Raises:
        UsageError: the name cannot be used or is taken, or there is nothing to rename.
        DriveError: a drive is away, or failed.
        BusyError: a run works on the roll.
        RecordError: what was written does not read back.
    """
    new = checked_roll(wish.new)
    roll = rolls.get(tools.ledger, wish.roll)
    if new == roll.name:
        raise UsageError(f"the roll is called {shown(new)} already", meaning="Nothing was changed.")
    with ExitStack() as stack:
        parts, left_out = _open_all(roll, new, wish, tools, stack)
        for part in parts:
            with _telling(part):
                _rename_on(part, roll.name, new, wish, tools)
        _note(parts, roll, new, wish, tools)
        for part in parts:
            part.lock.release()
        done = tuple(_read_again(part, roll.name, new, wish, tools) for part in parts)
    return Renamed(roll.name, new, done, left_out)


# --- before the first change


def _open_all(
    roll: Roll, new: str, wish: RenameWish, tools: Tools, stack: ExitStack
) -> tuple[list[_Part], tuple[str, ...]]:
    parts: list[_Part] = []
    away: list[str] = []
    for copy in _newest_copies(roll, tools):
        known = drives.get(tools.ledger, copy.drive)
        try:
            drive = _opened(copy, known.hints, tools)
        except OffloadError:
            away.append(copy.drive_name)
            continue
        stack.callback(drive.root.close)
        part = _part_of(drive, copy, roll, new)
        stack.callback(part.lock.release)
        parts.append(part)
    if not parts:
        raise UsageError(
            f"no drive with a copy of {shown(roll.name)} is here",
            meaning="Nothing was changed.",
            remedy="Plug the drives in, then the same command.",
        )
    if away and not wish.here_only:
        names = " and ".join(shown(name) for name in away)
        raise DriveError(
            f"{names} holds a copy of {shown(roll.name)} and is not here",
            meaning="Nothing was changed: a roll has one name on every drive.",
            remedy="Plug it in, then the same command.\n"
            "  OR  the same command with --here-only: that drive keeps the old name",
        )
    return parts, tuple(away)


def _newest_copies(roll: Roll, tools: Tools) -> list[Copy]:
    """The newest copy on each drive."""
    found: dict[int, Copy] = {}
    for copy in copies.of_roll(tools.ledger, roll.roll):
        if copy.result.stage is not copies.Stage.AWAY:
            found.setdefault(copy.drive, copy)
    return list(found.values())


def _opened(copy: Copy, hints: drives.DriveHints, tools: Tools) -> HeldDrive:
    path = hints.path
    for volume in tools.surroundings.volumes():
        is_its = bool(hints.volume_id) and volume.volume_id == hints.volume_id
        if is_its and not path.startswith(volume.mount_point):
            path = volume.mount_point
    wish = DriveWish(copy.drive_name, path, hints.volume_id, hints.marker)
    return open_drive(wish, tools.surroundings)


def _part_of(drive: HeldDrive, copy: Copy, roll: Roll, new: str) -> _Part:
    """Find the roll on a drive, and see that the new name is free."""
    root = drive.root
    base = parent(_below(copy, drive))
    old_folder, new_folder = join(base, _raw(roll.name)), join(base, _raw(new))
    records = join(base, RECORDS)
    run = read_run(root, join(records, _raw(roll.name))) or read_run(root, join(records, _raw(new)))
    if run is None or (run.code and roll.code and run.code != roll.code):
        raise UsageError(
            f"what lies under {shown(roll.name)} on {shown(drive.name)} is not that roll",
            path=join(root.path, old_folder),
            meaning="Nothing was changed.",
            remedy="Look at it:  offload verify FOLDER",
        )
    if root.exists(old_folder + INCOMPLETE) or root.exists(old_folder + PARTIAL):
        raise UsageError(
            f"{shown(roll.name)} is not finished on {shown(drive.name)}",
            meaning="Nothing was changed.",
            remedy="Finish it first:  offload copy",
        )
    is_begun = not root.exists(old_folder) and root.exists(new_folder)
    taken = (new_folder, new_folder + INCOMPLETE, new_folder + PARTIAL)
    if not is_begun and any(root.exists(path) for path in taken):
        raise UsageError(
            f"there is a roll {shown(new)} on {shown(drive.name)} already",
            path=join(root.path, new_folder),
            meaning="Nothing was changed.",
            remedy="Choose another name.",
        )
    held = join(records, _raw(roll.name))
    lock = Lock(root, held if root.exists(held) else join(records, _raw(new)), drive.name)
    return _Part(drive, copy, base, run, lock)


def _below(copy: Copy, drive: HeldDrive) -> bytes:
    """The copy's folder below the drive's, wherever that is mounted now."""
    path, top = copy.result.path, drive.root.path.rstrip(b"/") + b"/"
    if path.startswith(top):
        return path[len(top) :]
    parts = path.split(b"/")
    for start in range(1, len(parts)):
        tail = b"/".join(parts[start:])
        if drive.root.exists(tail):
            return tail
    return parts[-1]


# --- one drive


def _rename_on(part: _Part, old: str, new: str, wish: RenameWish, tools: Tools) -> None:
    root = part.drive.root
    for source, target in (
        (part.at(old), part.at(new)),
        (part.records(old), part.records(new)),
    ):
        if root.exists(source):
            rename_exclusive(root, source, target)
        sync_folder(root, parent(target))
    _rename_lists(part, old, new, tools)
    _add_name_before(part, old, new, wish, tools)
    write_run(root, part.records(new), replace(part.run, roll=new))


def _rename_lists(part: _Part, old: str, new: str, tools: Tools) -> None:
    """The checksum lists name every file from the folder above the roll."""
    root, records = part.drive.root, part.records(new)
    names = set(root.names(records))
    for algorithm in ("xxh128", "c4", "xxh3", "xxh64", "md5", "sha1", "sha256"):
        suffix = b"." + LIST_SUFFIXES.get(algorithm, algorithm.encode("ascii"))
        before = _raw(old) + suffix
        if before not in names:
            continue
        path = join(records, _raw(new) + suffix)
        with (
            root.open_stream(join(records, before)) as lines,
            growing(root, path, replaces_own=True) as out,
        ):
            write_sums(out, algorithm, _moved(lines, join(root.path, path), old, new))
        _sign(root, path, sha512_of(out), tools)
        root.remove_file(join(records, before))
        if before + SIGNATURE in names:
            root.remove_file(join(records, before + SIGNATURE))


def _moved(lines: BinaryIO, path: bytes, old: str, new: str) -> Iterator[tuple[bytes, bytes]]:
    head = _raw(old) + b"/"
    for line in read_sums(lines, path):
        if not isinstance(line, SumLine) or not line.path.startswith(head):
            raise RecordError(
                "the checksum list has a line that this program did not write",
                path=path,
                meaning="It was left as it is.",
                remedy="Look at it:  offload verify FOLDER",
            )
        yield join(_raw(new), line.path[len(head) :]), line.digest


def _add_name_before(part: _Part, old: str, new: str, wish: RenameWish, tools: Tools) -> None:
    root, path = part.drive.root, join(part.records(new), NAMES_BEFORE)
    found: object = None
    with contextlib.suppress(FileNotFoundError, ValueError, RecursionError):
        found = json.loads(root.read_small(path, _SMALL_BYTES))
    listed = found.get("names") if isinstance(found, dict) else None
    known = listed if isinstance(listed, list) else []
    entry = {
        "old": old,
        "new": new,
        "by": wish.by,
        "because": wish.because,
        "at": tools.surroundings.now().isoformat(timespec="seconds"),
    }
    content = (json.dumps({"names": [*known, entry]}, indent=2) + "\n").encode("ascii")
    write_new(root, path, content, replaces_own=True)
    _sign(root, path, hashlib.sha512(content).digest(), tools)


def _sign(root: Root, path: bytes, sha512: bytes, tools: Tools) -> None:
    """Sign a file as it was written: it has been read back, and a later reading may be wrong."""
    write_new(root, path + SIGNATURE, sign_digest(tools.key, sha512), replaces_own=True)


def _read_again(part: _Part, old: str, new: str, wish: RenameWish, tools: Tools) -> RenamedCopy:
    """Read every file under its new name, and append what was found to the history."""
    path = join(part.drive.root.path, part.at(new))
    signers = Signers((SignerEntry(tools.identity, tools.key.public),))
    checking = VerifyTools(
        signers, tools.surroundings, tools.progress, tools.sink, tools.is_stopped
    )
    appending = Appending(tools.key, tools.identity, wish.checksums)
    verifying = begin_verifying(path, checking, name=part.drive.name)
    try:
        verifying.plan(appending)
        verifying.read()
        comment = f"renamed from {old} to {new} by {wish.by}: {wish.because}"
        appended, why_not = verifying.append(appending, comment=shown(comment))
        found = verifying.result(VerifyWish(path, appending), appended, why_not)
    finally:
        verifying.close()
    return RenamedCopy(part.drive.name, path, found)


# --- the ledger


def _note(parts: list[_Part], roll: Roll, new: str, wish: RenameWish, tools: Tools) -> None:
    now, ledger = tools.surroundings.now_ns(), tools.ledger
    by_drive = {part.copy.drive: part for part in parts}
    with ledger.writing():
        rolls.rename(ledger, roll.roll, Renaming(roll.name, new, wish.by, wish.because, now))
        for copy in copies.of_roll(ledger, roll.roll):
            part = by_drive.get(copy.drive)
            if part is not None and copy.result.path == part.copy.result.path:
                path = join(part.drive.root.path, part.at(new))
                copies.tell(ledger, copy.copy, replace(copy.result, path=path), copy.changed_ns)
        for part in parts:
            # A recorder's card has other rolls, and their offloads know where this one lies.
            its = part.at(roll.name), part.at(new)
            card_rolls.move_folder(ledger, roll.roll, part.copy.drive, *its)


@contextlib.contextmanager
def _telling(part: _Part) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise DriveError(
            f"{shown(part.drive.name)} would not rename the roll: {reason(error)}",
            path=part.drive.root.path,
            meaning="What was renamed so far stays; nothing of the footage is changed.",
            remedy="Mend what is wrong with the drive, then the same command goes on.",
        ) from error


def _raw(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")
