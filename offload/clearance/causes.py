"""What the system itself said, beside the hold that it led to: for the words alone."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from offload.clearance.case import Reason
from offload.clearance.words import phrase, safe
from offload.values.findings import Finding

_CAUSES: Final = {
    "unreadable-on-card": frozenset({"unreadable-on-card", "unreadable"}),
    "copy-failed": frozenset({"write-failed"}),
    "copy-unreadable": frozenset({"unreadable"}),
    "record-not-written": frozenset({"record-not-written"}),
}
"""Code of a hold -> codes of the findings that led to it."""

_MOST = 3


def with_causes(reason: Reason, findings: Sequence[Finding]) -> Reason:
    """The reason, with what was said of its drives, or of the card where it has none."""
    codes = _CAUSES.get(reason.code)
    if codes is None or not findings:
        return reason
    told = dict.fromkeys(
        (finding.drive, finding.text)
        for finding in findings
        if finding.code in codes and finding.drive in (reason.drives or ("",))
    )
    details = tuple(
        f"{safe(drive) or 'The card'}: {phrase(text)}." for drive, text in [*told][:_MOST]
    )
    return replace(reason, details=reason.details + details)
