"""Clips as JSON: one object for each, the last line the result. Every text is printable."""

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from offload.clearance.words import phrase, safe
from offload.jobs.look_table import ClipTable
from offload.ledger.clips import KeptClip
from offload.values.clips import AudioTrack, ClipFinding
from offload.values.findings import Finding
from offload.values.paths import to_text
from offload.values.probed import SoundLevels


def clip_object(clip: KeptClip) -> dict[str, Any]:
    """One clip."""
    facts, answers = clip.probed.facts, clip.answers
    timecode = facts.timecode
    return {
        "type": "clip",
        "path": to_text(clip.path),
        "kind": clip.kind.value,
        "files": clip.files,
        "bytes": clip.total_bytes,
        "copied": answers.copied.value,
        "complete": answers.complete.value,
        "usable": answers.usable.value,
        "as_ordered": answers.as_ordered.value,
        "container": facts.container.value,
        "codec": safe(facts.codec),
        "fourcc": phrase(facts.fourcc),
        "profile": phrase(facts.profile),
        "width": facts.width,
        "height": facts.height,
        "rate": _fraction(facts.rate),
        "frames": facts.frames,
        "seconds": _fraction(facts.duration),
        "timecode": timecode.text if timecode else None,
        "drop_frame": timecode.is_drop if timecode else None,
        "reel": phrase(facts.reel),
        "audio": [_track(track) for track in facts.audio],
        "sound": _levels(clip.probed.sound),
        "findings": _findings((*clip.findings, *clip.probed.findings)),
    }


def result_object(table: ClipTable, source: str) -> dict[str, Any]:
    """The last line."""
    return {
        "type": "result",
        "source": source,
        "roll": safe(table.roll),
        "clips": len(table.clips),
        "bytes": sum(clip.total_bytes for clip in table.clips),
        "holds": [_told(each) for each in table.holds],
        "notices": [_told(each) for each in table.notices],
    }


def _track(track: AudioTrack) -> dict[str, Any]:
    return {
        "codec": safe(track.codec),
        "channels": track.channels,
        "rate_hz": track.sample_rate_hz,
        "bits": track.bits_per_sample,
        "seconds": _fraction(track.duration),
    }


def _levels(sound: SoundLevels | None) -> dict[str, Any] | None:
    if sound is None:
        return None
    return {
        "heard_seconds": _fraction(sound.heard),
        "whole": sound.is_whole,
        "pieces": sound.windows,
        "channels": [
            {"peak_dbfs": each.peak_dbfs, "rms_dbfs": each.rms_dbfs, "clipped": each.clipped}
            for each in sound.channels
        ],
    }


def _findings(findings: Sequence[ClipFinding]) -> list[dict[str, Any]]:
    return [
        {
            "code": each.code,
            "weight": each.weight.value,
            "text": phrase(each.text),
            "path": to_text(each.path),
            "offset": each.offset,
            "check": each.check,
        }
        for each in findings
    ]


def _told(finding: Finding) -> dict[str, Any]:
    return {"code": finding.code, "text": phrase(finding.text), "path": to_text(finding.path)}


def _fraction(value: Fraction | None) -> str | None:
    """``24000/1001``; exact, since 24 is another rate."""
    return None if value is None else f"{value.numerator}/{value.denominator}"
