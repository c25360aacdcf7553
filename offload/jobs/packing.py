"""Packing lists, to be sent apart from the media: one of each roll, and a collection of them.

Each sums up a roll's history and those nested in it in one stand-alone manifest (ASC MHL 1.0,
sections 5.5 and 5.6.7); the collection names them all, and is signed. Whoever gets the drives
finds by it what never came. Made from the records alone: no file is read, and nothing is added to
a history. Where the record of one roll is broken, or contradicted by a signature, none is written.
"""

import hashlib
import os
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from typing import BinaryIO

from offload import __version__
from offload.clearance.shell import quoted
from offload.errors import RecordError, UsageError, reason
from offload.jobs.recording import SIGNATURE, SIGNERS_NAME
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_result import TOLERATED
from offload.jobs.verify_signatures import Trust, judge_signatures
from offload.jobs.verifying import Appending, Verifying, VerifyTools, begin_verifying
from offload.record.held_folder import HeldFolder
from offload.record.mhl.chain import chain_bytes
from offload.record.mhl.custody import Custody, load_custody, nearest_scope
from offload.record.mhl.flatten import Flattening, collection_entries
from offload.record.mhl.model import Creator, Head, Process
from offload.record.mhl.naming import COLLECTION_NAME
from offload.record.mhl.write import Written, write_manifest
from offload.record.signers import signer_line
from offload.record.sshsig import sign_digest
from offload.storage.root import Root
from offload.values.paths import is_within, join, name, parent
from offload.values.portable import portable_part


@dataclass(frozen=True, slots=True)
class PackWish:
    """What is asked for.

    Attributes:
        folders: rolls, or folders and drives with rolls; absolute.
        target: where the lists go: a folder without a collection, made where it is missing.
        signing: whose key signs the collection.
    """

    folders: tuple[bytes, ...]
    target: bytes
    signing: Appending


@dataclass(frozen=True, slots=True)
class PackingList:
    """One that was written.

    Attributes:
        roll: path of the roll.
        manifest: path of the list.
        files: how many it has.
        generations: of the roll's own history, how many it sums up.
        left_out: files without any checksum that counts; they are in no list.
    """

    roll: bytes
    manifest: bytes
    files: int
    generations: int
    left_out: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Packed:
    """All that was written.

    Attributes:
        lists: in the order of the folders that were named.
        collection: path of the file that names them all.
        identity: who signed it.
    """

    lists: tuple[PackingList, ...]
    collection: bytes
    identity: str

    @property
    def exit_code(self) -> int:
        """0 where every recorded file is in a list."""
        return int(any(each.left_out for each in self.lists))


@dataclass(frozen=True, slots=True)
class _Roll:
    """A roll, held.

    Attributes:
        path: absolute.
        custody: its history and those nested in it, by paths below it.
    """

    path: bytes
    custody: Custody


def pack(wish: PackWish, tools: VerifyTools) -> Packed:
    """Write packing lists and their collection.

    Raises:
        DriveError: a folder cannot be opened or listed, or the target fails.
        RecordError: a history is broken, unfinished, or not what was signed; nothing was written.
        UsageError: there is no history, or the target cannot take the lists.
    """
    with ExitStack() as stack:
        rolls = [roll for folder in wish.folders for roll in _rolls(folder, tools, stack)]
        target = stack.enter_context(_target(wish, rolls))
        folder = HeldFolder(target)
        made = list(_lists(rolls, folder, wish, tools))
        entries = collection_entries((name(each.manifest), written.c4) for each, written in made)
        content = chain_bytes(entries)
        signature = sign_digest(wish.signing.key, hashlib.sha512(content).digest())
        line = signer_line(wish.signing.identity, wish.signing.key.public)
        # What it names is there before it, and a collection that is there is signed.
        folder.replace(SIGNERS_NAME, line.encode("utf-8", "surrogateescape") + b"\n")
        folder.replace(COLLECTION_NAME + SIGNATURE, signature)
        folder.write_new(COLLECTION_NAME, lambda out: out.write(content))
        return Packed(
            tuple(each for each, _ in made),
            join(wish.target, COLLECTION_NAME),
            wish.signing.identity,
        )


def _rolls(folder: bytes, tools: VerifyTools, stack: ExitStack) -> Iterator[_Roll]:
    verifying = begin_verifying(folder, tools)
    stack.callback(verifying.close)
    scopes = verifying.records.claims.custody.histories
    outermost = [s for s in scopes if not s or nearest_scope(scopes, parent(s)) is None]
    if not outermost:
        raise UsageError(
            "there is no history here to sum up",
            path=folder,
            meaning="Nothing was written.",
            remedy="Name a roll, or a folder with rolls, that has an ascmhl folder.",
        )
    _refuse_unsound(verifying, tools)
    for scope in outermost:
        path = join(verifying.place.root.path, scope)
        root = stack.enter_context(Root(path))
        inner = [each[len(scope) :].lstrip(b"/") for each in scopes if is_within(each, scope)]
        yield _Roll(path, load_custody(SeenFolder(root), b"", inner))


def _refuse_unsound(verifying: Verifying, tools: VerifyTools) -> None:
    """A list that is signed here stands for the record: what contradicts itself gets none."""
    records, top = verifying.records, verifying.place.root.path
    half_done = [each for each in verifying.listing.half_done if each.code != "kept-aside"]
    faults = (*records.claims.custody.faults, *half_done)
    if faults:
        raise _unsound(faults[0].text, join(top, faults[0].path), verifying.place.given)
    trust = Trust(tools.signers, tools.surroundings.now())
    for report in judge_signatures(verifying.folder, verifying.listing, records, trust):
        if report.state not in TOLERATED:
            what = f"its signature does not hold: {report.state.value}"
            raise _unsound(what, join(top, report.about), verifying.place.given)


def _unsound(what: str, path: bytes, named: bytes) -> RecordError:
    return RecordError(
        what,
        path=path,
        meaning="A list would vouch for a record that cannot be relied on; none was written.",
        remedy=f"offload verify {quoted(named)}",
    )


def _target(wish: PackWish, rolls: Sequence[_Roll]) -> Root:
    if any(is_within(os.path.realpath(wish.target), os.path.realpath(r.path)) for r in rolls):
        raise UsageError(
            "the lists would lie within the roll that they are about",
            path=wish.target,
            meaning="Nothing was written.",
            remedy="Name a folder outside of the rolls:  --to FOLDER",
        )
    try:
        if not os.path.isdir(wish.target):
            os.mkdir(wish.target)
        root = Root(wish.target)
    except OSError as error:
        raise UsageError(
            f"the folder for the lists cannot be used: {reason(error)}", path=wish.target
        ) from error
    if root.exists(COLLECTION_NAME):
        root.close()
        raise UsageError(
            "there is a collection already, and none is ever replaced",
            path=join(wish.target, COLLECTION_NAME),
            meaning="Nothing was written.",
            remedy="Name another folder:  --to FOLDER",
        )
    return root


def _lists(
    rolls: Sequence[_Roll], folder: HeldFolder, wish: PackWish, tools: VerifyTools
) -> Iterator[tuple[PackingList, Written]]:
    now = tools.surroundings.now().astimezone()
    for number, roll in enumerate(rolls, 1):
        title = portable_part(name(roll.path).decode("utf-8", "replace")) or "roll"
        comment = f"packing list of {title}"
        creator = Creator(now, tools.surroundings.host, "offload", __version__, comment=comment)
        history = roll.custody.histories[b""]
        head = Head(creator, Process.FLATTEN, None, history.patterns)
        flattening = Flattening(roll.custody)
        if all(False for _ in flattening):
            raise _unsound(
                "its history has no file with a checksum that counts", roll.path, roll.path
            )
        file = f"packinglist_{number:02}_{title}.mhl".encode()
        written = folder.write_new(file, partial(_write, head, flattening))
        yield (
            PackingList(
                roll.path,
                join(wish.target, file),
                written.records,
                len(history.generations),
                tuple(flattening.left_out),
            ),
            written,
        )


def _write(head: Head, found: Flattening, out: BinaryIO) -> Written:
    return write_manifest(out, head, found)
