"""The text that says how to check a record by hand, once another key has signed its chain."""

from offload.clearance.shell import quoted
from offload.errors import RecordError
from offload.jobs.recording import SIGNATURE, SIGNERS_NAME
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_reading import Checked
from offload.record.by_hand import BY_HAND_NAME, ByHand, by_hand_text
from offload.record.find import RECORDS_FOLDER
from offload.record.keys import SigningKey
from offload.record.mhl.generation import Added
from offload.record.signers import Signers, read_signers
from offload.record.sshsig import SIGNATURE_LIMIT_BYTES, SignatureFormError, read_signature
from offload.record.sums import TOOLS
from offload.values.paths import join, name

_SIGNERS_LIMIT_BYTES = 1 << 20


def rewrite_by_hand(
    folder: SeenFolder,
    records: bytes,
    added: Added,
    checked: Checked,
    originals: int,
    key: SigningKey,
    identity: str,
) -> None:
    """Write the text anew, where the record has what it speaks of: a signed checksum list.

    Args:
        folder: what is written to.
        records: path of ``records/ROLL``.
        added: the generation that was signed now.
        checked: what the verification found, for how many files the list leaves out.
        originals: files that the new generation records for the first time.
        key, identity: of who signed.

    Raises:
        OSError: the drive failed.
    """
    roll = name(records)
    signers = _signers(folder, records)
    for algorithm in sorted(TOOLS, key=lambda each: (each != "sha512", each)):
        list_name = roll + b"." + algorithm.encode("ascii")
        signer = _signer_of(folder, join(records, list_name + SIGNATURE), signers)
        if signer:
            about = ByHand(
                roll=name(added.scope),
                records=join(RECORDS_FOLDER, roll),
                manifest=added.name,
                chain_signer=identity,
                list_name=list_name,
                list_algorithm=algorithm,
                list_signer=signer,
                fingerprint=key.public.fingerprint,
                unlisted=_unlisted(checked, originals, added.scope, join(records, list_name)),
            )
            folder.replace(join(records, BY_HAND_NAME), by_hand_text(about, quoted))
            return


def _signers(folder: SeenFolder, records: bytes) -> Signers:
    try:
        with folder.open(join(records, SIGNERS_NAME)) as stream:
            return read_signers(stream.read(_SIGNERS_LIMIT_BYTES))
    except (OSError, RecordError):
        return Signers()


def _signer_of(folder: SeenFolder, path: bytes, signers: Signers) -> str:
    """Whom the record's own list calls the owner of the key of a signature."""
    try:
        with folder.open(path) as stream:
            key = read_signature(stream.read(SIGNATURE_LIMIT_BYTES)).key
    except (OSError, SignatureFormError):
        return ""
    entries = signers.entries_of(key)
    return entries[0].principals if entries else ""


def _unlisted(checked: Checked, originals: int, scope: bytes, list_path: bytes) -> int:
    history = checked.coverage.get(join(scope, b"ascmhl"))
    listed = checked.coverage.get(list_path)
    if history is None or listed is None:
        return 0
    return max(0, history.files + originals - listed.files)
