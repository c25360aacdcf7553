"""Where a roll's copies are: one line a drive, the newest copy of each."""

from dataclasses import dataclass
from datetime import tzinfo

from offload.ledger import copies, drives
from offload.ledger.copies import Copy, Stage
from offload.ledger.database import Ledger
from offload.report.said import JudgedCopy, Said
from offload.report.spelling import counted, moment, phrase, safe, size
from offload.values.facts import ReadBack
from offload.values.paths import to_text

_STAGES = {
    Stage.GROWING: "not finished",
    Stage.PROVEN: "proven",
    Stage.PARTIAL: "what could be read",
    Stage.DROPPED: "dropped",
    Stage.RECORDED: "known from its record alone",
    Stage.AWAY: "was away",
}
_READ_BACK = {
    ReadBack.DEVICE: "read back from the device",
    ReadBack.SERVER: "read back from the server",
    ReadBack.CACHED: "not shown to be read from the device",
    ReadBack.NONE: "not read back",
}


@dataclass(frozen=True, slots=True)
class DriveLine:
    """One copy.

    Attributes:
        name: of the drive.
        volume: file system and volume id.
        folder: of the copy, as it was called.
        state: how far it is, and how much of it is proven.
        read_back: how.
        counts: whether it took part in the copies counted, or why not.
        when: last written down.
        free: at the drive's last use; empty where not known.
        manifest, manifest_c4: name and C4 ID of the newest manifest there.
        is_retired: the drive takes no more.
    """

    name: str
    volume: str
    folder: str
    state: str
    read_back: str
    counts: str
    when: str
    free: str
    manifest: str
    manifest_c4: str
    is_retired: bool


def drive_lines(
    ledger: Ledger, roll: int, said: Said, zone: tzinfo | None
) -> tuple[DriveLine, ...]:
    """One line for each drive that a roll was ever copied to, those of the verdict first."""
    judged = {each.drive: each for each in said.copies}
    newest: dict[int, Copy] = {}
    for copy in copies.of_roll(ledger, roll):
        newest.setdefault(copy.drive, copy)
    run = said.run.offload if said.run else None
    own = sorted(newest.values(), key=lambda copy: (copy.offload != run, copy.copy))
    lines = [_line(ledger, copy, copy.offload == run, judged, zone) for copy in own]
    known = {line.name for line in lines}
    return (*lines, *(_only_judged(each) for name, each in judged.items() if name not in known))


def _line(
    ledger: Ledger,
    copy: Copy,
    is_of_run: bool,
    judged: dict[str, JudgedCopy],
    zone: tzinfo | None,
) -> DriveLine:
    known = drives.get(ledger, copy.drive)
    name = safe(copy.drive_name)
    said = judged.get(name) if is_of_run else None
    volume = " ".join(
        part for part in (safe(known.hints.fs_type), safe(known.hints.volume_id)) if part
    )
    return DriveLine(
        name,
        volume,
        said.folder if said and said.folder else to_text(copy.result.path),
        _state(copy, said),
        _READ_BACK[copy.result.read_back],
        _counts(said) if is_of_run else "of an earlier run, not part of this verdict",
        moment(copy.changed_ns, zone),
        size(known.hints.free_bytes) if known.hints.free_bytes else "",
        said.manifest.rpartition("/")[2] if said else "",
        said.manifest_c4 if said else "",
        known.retired_ns is not None,
    )


def _state(copy: Copy, said: JudgedCopy | None) -> str:
    text = _STAGES[copy.result.stage]
    if copy.result.failure:
        text += f": {phrase(copy.result.failure)}"
    if said and said.files:
        return f"{text}, {said.proven:,} of {counted(said.files, 'file')} equal"
    proven = copy.result.proven_files
    return f"{text}, {counted(proven, 'file')} equal" if proven else text


def _counts(said: JudgedCopy | None) -> str:
    if said is None:
        return ""
    return (
        "counts" if said.counts else f"does not count{': ' if said.why_not else ''}{said.why_not}"
    )


def _only_judged(said: JudgedCopy) -> DriveLine:
    """A copy that only the verdict knows, such as one made by hand and found by content."""
    state = f"{said.proven:,} of {counted(said.files, 'file')} equal"
    manifest = said.manifest.rpartition("/")[2]
    return DriveLine(
        said.drive,
        "",
        said.folder,
        state,
        "",
        _counts(said),
        "",
        "",
        manifest,
        said.manifest_c4,
        False,
    )
