"""What a user's own command is told, in its environment: printable text only."""

from offload.jobs.outcome import Outcome
from offload.station.events import Subject
from offload.values.paths import shown, to_text


def environment_of(subject: Subject, outcome: Outcome) -> dict[str, str]:
    """The facts of a verdict."""
    verdict = outcome.verdict
    return {
        **_of_subject(subject),
        "OFFLOAD_EVENT": verdict.answer.value,
        "OFFLOAD_VERDICT": verdict.answer.value,
        "OFFLOAD_HEADLINE": shown(verdict.headline),
        "OFFLOAD_HOLDS": " ".join(hold.code for hold in verdict.holds),
        "OFFLOAD_FILES": str(verdict.files),
        "OFFLOAD_BYTES": str(outcome.facts.inventory.total_bytes),
        "OFFLOAD_COPIES": str(verdict.copies_counted),
        "OFFLOAD_DRIVES": ", ".join(shown(copy.drive) for copy in verdict.copies if copy.counts),
    }


def held_environment(subject: Subject, event: str, text: str) -> dict[str, str]:
    """The facts of a card that is kept without a verdict.

    Args:
        event: ``left-unproven`` or ``no-verdict``.
        text: a sentence, safe to show.
    """
    return {
        **_of_subject(subject),
        "OFFLOAD_EVENT": event,
        "OFFLOAD_VERDICT": "held",
        "OFFLOAD_HEADLINE": text,
    }


def _of_subject(subject: Subject) -> dict[str, str]:
    return {
        "OFFLOAD_ROLL": shown(subject.roll),
        "OFFLOAD_CODE": subject.code,
        "OFFLOAD_LABEL": shown(subject.label),
        "OFFLOAD_MOUNT_POINT": to_text(subject.mount_point),
    }
