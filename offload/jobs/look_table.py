"""The clips of a folder, a card or a roll, without copying anything: what ``clips`` shows.

A folder or card is looked into now; of a roll the ledger says what was found. Nothing here answers
for bytes.
"""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from offload.card.layout import LayoutRule, clip_paths, recognise
from offload.card.naming import roll_name
from offload.jobs.look_decode import is_still, look_into, spread_stills, time_for
from offload.jobs.look_files import HeldFiles, Source, read_small
from offload.jobs.look_findings import findings_of, holds_of, told_of
from offload.jobs.look_kept import LookedInto, clip_rule, kept_clip, sounds_of
from offload.jobs.look_notices import Occasion, notices_of
from offload.jobs.look_structure import IsStopped, ZeroRunsOf, check_clip, no_zero_runs
from offload.jobs.opening import list_card, open_card
from offload.jobs.surroundings import Surroundings
from offload.ledger import clips as kept_clips
from offload.ledger import inventories, offloads
from offload.ledger.clips import KeptClip
from offload.ledger.database import Ledger
from offload.ledger.rolls import Roll
from offload.media.brief import as_ordered
from offload.media.clip_files import group_files
from offload.values.clips import Clip, ClipFiles, ClipFinding, Container, Copied
from offload.values.entries import Entries
from offload.values.findings import Finding
from offload.volumes.fat_label import read_format_time


@dataclass(frozen=True, slots=True)
class ClipTable:
    """Clips, and what there is to say of them.

    Attributes:
        roll: what they are called together; empty when unknown.
        clips: by path.
        holds: doubts that would keep a card, a finding for each file.
        notices: what the camera team should hear.
    """

    roll: str
    clips: tuple[KeptClip, ...]
    holds: tuple[Finding, ...]
    notices: tuple[Finding, ...]


def look_at_folder(
    path: bytes,
    occasion: Occasion,
    surroundings: Surroundings,
    is_stopped: IsStopped,
    layouts: Sequence[LayoutRule] | None = None,
) -> ClipTable:
    """Look into every clip below a folder, or on a card.

    Args:
        path: of the folder.
        occasion: brief and sheet; a roll where a person named one.
        surroundings: the machine.
        is_stopped: whether the user wants to stop.
        layouts: of cards; the built-in ones when left out.

    Raises:
        CardError: the folder is not there, or cannot be listed.
        LookStoppedError: it was told to stop.
    """
    with contextlib.ExitStack() as stack:
        card = open_card(path, surroundings, layouts)
        stack.callback(card.root.close)
        entries = list_card(card, surroundings).inventory.entries
        files = HeldFiles(card.root)
        stack.callback(files.close)
        layout = recognise(entries, layouts)
        clips = group_files(
            entries,
            is_clip=clip_rule(layout),
            read=lambda small, most: read_small(files, small, most),
        )
        looked = looked_into(clips, files, is_stopped)
        paths = clip_paths(layout, entries) if layout else iter(())
        roll = occasion.roll or roll_name(paths, card.volume.label).name
        formatted_ns = None if card.is_folder else read_format_time(card.volume)
        occasion = replace(occasion, roll=roll, formatted_ns=formatted_ns)
        return _table(looked, occasion, entries)


def looked_into(
    clips: Sequence[Clip],
    files: Source,
    is_stopped: IsStopped,
    zero_runs_of: ZeroRunsOf = no_zero_runs,
) -> list[LookedInto]:
    """Look into these clips, all from one source, and keep what was found without the pictures.

    Raises:
        LookStoppedError: it was told to stop.
    """
    stills = spread_stills(clips)

    def source_of(clip: Clip) -> Source | None:
        return None if is_still(clip) and clip.path not in stills else files

    checked = (check_clip(clip, files, is_stopped, zero_runs_of) for clip in clips)
    found = look_into(checked, source_of, is_stopped, time_for(clips))
    with contextlib.closing(found):
        return [
            LookedInto(replace(its, reports={}), replace(probed, picture=None))
            for its, probed in found
        ]


def _table(looked: Sequence[LookedInto], occasion: Occasion, entries: Entries) -> ClipTable:
    facts = {each.clip.path: each.probed.facts for each in looked if len(each.clip.files)}
    clips = [each.clip for each in looked]
    notices = notices_of(occasion, clips, facts, sounds_of(looked), entries)
    told = [(each.clip, finding) for each in looked for finding in each.findings]
    return ClipTable(
        occasion.roll,
        tuple(kept_clip(each, Copied.UNKNOWN, occasion.brief, occasion.roll) for each in looked),
        tuple(hold for each in looked for hold in holds_of(each.clip, each.findings)),
        (*(each for notice in notices for each in findings_of(notice)), *told_of(told)),
    )


def clips_of_roll(ledger: Ledger, roll: Roll, occasion: Occasion) -> ClipTable:
    """What the ledger knows of a roll's clips, compared with the brief and sheet of today.

    Raises:
        LedgerError: something kept is damaged.
    """
    kept = kept_clips.of_roll(ledger, roll.roll)
    runs = offloads.of_roll(ledger, roll.roll)
    entries = inventories.load(ledger, runs[0].inventory).entries if runs else Entries()
    occasion = replace(occasion, roll=roll.name)
    clips = [_clip_of(each) for each in kept]
    facts = {each.path: each.probed.facts for each in kept if each.files}
    sounds = {each.path: each.probed.sound for each in kept if each.probed.sound}
    notices = notices_of(occasion, clips, facts, sounds, entries)
    pairs = list(zip(clips, kept, strict=True))
    own = [(clip, finding) for clip, each in pairs for finding in _own(each)]
    return ClipTable(
        roll.name,
        tuple(_compared(each, occasion) for each in kept),
        tuple(hold for clip, each in pairs for hold in holds_of(clip, _own(each))),
        (*(each for notice in notices for each in findings_of(notice)), *told_of(own)),
    )


def _own(kept: KeptClip) -> list[ClipFinding]:
    """What was found in the clip itself; what was told of several is told anew."""
    found = (*kept.findings, *kept.probed.findings)
    return [each for each in found if each.code.startswith("clip-")]


def _clip_of(kept: KeptClip) -> Clip:
    return Clip(kept.path, kept.kind, Container.UNKNOWN, ClipFiles(Entries(), ()))


def _compared(kept: KeptClip, occasion: Occasion) -> KeptClip:
    ordered = as_ordered(occasion.brief, kept.path, kept.probed.facts, occasion.roll)
    return replace(kept, answers=replace(kept.answers, as_ordered=ordered))
