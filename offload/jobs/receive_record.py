"""A sender's record carried over to a copy, and the generation that is added to it there.

Order on each drive: the sender's manifests and what lies in their ``records/ROLL``, the chain last;
then the next generation, which says of every file what was read back from this drive, signed. What
is there already is left as it is: a copy that was here before keeps the history that it has.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from offload.errors import RecordError, reason
from offload.events import no_sink
from offload.jobs.placing import NAMES_NAME, Place
from offload.jobs.receive_parts import Part
from offload.jobs.recording import SIGNATURE
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_appending import Signing, append_all
from offload.jobs.verify_place import HeldPlace
from offload.jobs.verify_reasons import why_not_appended
from offload.jobs.verify_result import Appended
from offload.jobs.verifying import Appending, Verifying, VerifyTools
from offload.record.by_hand import BY_HAND_NAME
from offload.record.mhl.model import HashRecord, Process
from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.record.mhl.read import ManifestReader
from offload.record.signers import Signers
from offload.record.sums import is_list_name
from offload.storage.durable import growing
from offload.storage.root import Root
from offload.storage.syncing import sync_folder
from offload.transfer.readings import Outcome, ReadingResult
from offload.transfer.results import Digests
from offload.values.entries import Entries
from offload.values.facts import ReadBack
from offload.values.findings import Finding
from offload.values.paths import join, name, parent

PUT_BY = b".sent"
"""Behind the name of what a sender wrote down and nobody here reads."""

_CHUNK_BYTES = 1 << 20

Read = tuple[int, Mapping[str, bytes]]
"""How a file came out of a reading (see :class:`Outcome`), and its digests where it was read."""


@dataclass(frozen=True, slots=True)
class Signer:
    """Who adds generations, and whose signatures are believed.

    Attributes:
        appending: key, identity, checksums.
        signers: known and revoked keys.
        comment: what was done, free text.
    """

    appending: Appending
    signers: Signers
    comment: str


def has_history(place: Place) -> bool:
    """Whether a copy has a history of its own already."""
    return place.drive.root.exists(join(join(place.lies_in, HISTORY_FOLDER), CHAIN_NAME))


def carry_record(source: Root, entries: Entries, part: Part, place: Place) -> None:
    """Put the sender's record beside a copy, byte for byte; each file is read back and compared.

    Args:
        source: the delivery's root.
        entries: of the delivery.
        part: the roll.
        place: where its copy lies.

    Raises:
        OSError: the delivery could not be read, or the drive failed.
    """
    for number in part.record_files:
        path = entries.path(number)
        inside = _name_here(path[len(part.record) + 1 :], part, place)
        _carry(source, path, place.drive.root, join(place.records, inside))
    for number in part.history:
        path = entries.path(number)
        _carry(source, path, place.drive.root, join(place.lies_in, part.inside(path)))


def append_received(
    place: Place,
    read: Callable[[bytes], Read],
    read_back: ReadBack,
    signer: Signer,
    surroundings: Surroundings,
) -> tuple[tuple[Appended, ...], str]:
    """Add the next generation to every history of a copy, from what was read back from its drive.

    Args:
        place: where the copy lies; its roll is locked by this run.
        read: by a path within the copy, how the file was read back.
        read_back: how all of it was.
        signer: see there.
        surroundings: the machine.

    Returns:
        What was added; else why nothing was, a phrase.

    Raises:
        OSError: the drive failed.
        RecordError: what was written does not read back.
    """
    root = place.drive.root
    root.forget_folders()
    held = HeldPlace(
        join(root.path, place.final),
        root.again(),
        (place.lies_in, place.records),
        place.drive.volume,
        place.drive.physical,
    )
    tools = VerifyTools(signer.signers, surroundings, sink=no_sink)
    verifying = Verifying(held, tools, place.name, None)
    try:
        verifying.plan(signer.appending)
        top = len(place.lies_in) + 1
        judge_read(verifying, lambda path: read(path[top:]), read_back)
        why_not = why_not_appended(held, verifying.records, verifying.checked, verifying)
        if why_not:
            return (), why_not
        now = surroundings.now().astimezone()
        signing = Signing(
            signer.appending.key,
            signer.appending.identity,
            surroundings.host,
            verifying.started_at,
            now,
            signer.comment,
            process=Process.TRANSFER,
        )
        folder, listing = verifying.folder, verifying.listing
        added = append_all(held, folder, listing, verifying.records, verifying.checked, signing)
        return added, "" if added else "there is nothing to write down"
    finally:
        verifying.close()


def judge_read(
    verifying: Verifying,
    read: Callable[[bytes], Read],
    read_back: ReadBack,
    findings: Iterable[Finding] = (),
) -> None:
    """Judge a place by a reading that another pass has made of it, and then its records.

    Args:
        verifying: planned.
        read: by path as listed, how a file came out.
        read_back: how all of it was read.
        findings: why what was not read was not, by path.
    """
    checker = verifying.checker
    outcomes = bytearray([Outcome.NOT_READ]) * checker.count
    for number in checker.to_read():
        outcome, digests = read(verifying.listing.entries.path(number))
        outcomes[number] = outcome
        if outcome in (Outcome.EQUAL, Outcome.EQUAL_CACHED):
            checker.take(number, digests)
    result = ReadingResult(outcomes, checker.checked.marks, read_back, list(findings))
    checker.end(result, 0)
    verifying.settle()


def is_other_roll(place: Place, entries: Entries, digests: Digests) -> bool:
    """Whether the record of a copy that is there says that it never held what comes now.

    A file that came damaged is in the record with its damage (``failed``): that is no other roll.

    Raises:
        RecordError: a manifest cannot be read.
        OSError: likewise.
    """
    root = place.drive.root
    folder = join(place.lies_in, HISTORY_FOLDER)
    try:
        manifests = [each for each in root.names(folder) if each.endswith(b".mhl")]
    except OSError:
        return False
    known: dict[tuple[bytes, str], set[bytes]] = {}
    for manifest in manifests:
        with root.open_stream(join(folder, manifest)) as stream:
            for record in ManifestReader(stream, manifest):
                if isinstance(record, HashRecord):
                    for each in record.hashes:
                        known.setdefault((record.path, each.algorithm), set()).add(each.digest)
    for number in range(len(entries)):
        if not place.present[number]:
            continue
        path = place.path_in_copy(entries.path(number))
        for algorithm in digests.names:
            said, found = known.get((path, algorithm)), digests.get(algorithm, number)
            if said and found is not None and found not in said:
                return True
    return False


def _name_here(inside: bytes, part: Part, place: Place) -> bytes:
    """The name of a file of the sender's record beside the copy.

    What would be taken for our own, or names the files by another name of the roll than it has
    here, is kept under a name by which nothing reads it.
    """
    about = inside.removesuffix(SIGNATURE)
    is_by_name = is_list_name(about) or about == BY_HAND_NAME
    has_other_name = place.roll != name(part.record)
    is_put_by = about == NAMES_NAME or (is_by_name and has_other_name)
    return inside + PUT_BY if is_put_by else inside


def _carry(source: Root, path: bytes, root: Root, target: bytes) -> None:
    if root.exists(target):
        # From before an interruption, or a copy's own.
        return
    for made in root.make_folders(parent(target)):
        sync_folder(root, parent(made))
    with (
        source.open_stream(path) as stream,
        growing(root, target) as out,
    ):
        while chunk := stream.read(_CHUNK_BYTES):
            rest = memoryview(chunk)
            while rest:
                rest = rest[out.write(rest) :]


def why_of(error: OSError | RecordError) -> str:
    """What the system or the record said, as a phrase."""
    return str(error) if isinstance(error, RecordError) else reason(error)
