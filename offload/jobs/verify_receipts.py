"""Receipts: root hashes to be read out on the telephone, and values that were read out."""

from collections.abc import Mapping, Sequence

from offload.errors import UsageError
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_reading import Checked
from offload.jobs.verify_records import Records, history_path
from offload.jobs.verify_result import Appended, Coverage, Receipt, ReceiptComparison
from offload.record.mhl.custody import load_custody
from offload.record.mhl.history import History
from offload.record.receipt import ReceiptMatch, ReceiptOutcome, match_receipt, receipt_text
from offload.values.facts import ReadBack
from offload.values.paths import shown


def receipts_of(
    folder: SeenFolder, records: Records, checked: Checked, appended: Sequence[Appended]
) -> tuple[Receipt, ...]:
    """The receipt of every history; none for one whose files are not all as recorded.

    A number that is read out confirms a copy, so it is given for a copy that was shown to be whole
    and for no other: the number alone could be read off the sender's own manifest.
    """
    histories: Mapping[bytes, History] = records.claims.custody.histories
    if appended:
        histories = load_custody(folder, b"", [*histories]).histories
    return tuple(_receipt(scope, history, checked) for scope, history in histories.items())


def refuse_malformed(text: str) -> None:
    """See that a value that was read out can be one at all.

    Raises:
        UsageError: it is none.
    """
    if match_receipt(text, None).outcome is ReceiptOutcome.MALFORMED:
        raise UsageError(
            f"{shown(text)!r} is no receipt: eight groups of four digits, 0 to 9 and a to f",
            meaning="Nothing was compared.",
            remedy="Have it read out once more.",
        )


def compare_receipt(text: str, records: Records) -> tuple[ReceiptComparison, ...]:
    """Hold a value against every history, its newest generation first; none where there is none."""
    return tuple(
        _comparison(text, scope, history)
        for scope, history in records.claims.custody.histories.items()
    )


def _receipt(scope: bytes, history: History, checked: Checked) -> Receipt:
    number = history.generations[-1].number if history.generations else 0
    coverage = checked.coverage.get(history_path(scope, b"").rstrip(b"/"))
    why_not = _why_not(coverage, checked, history)
    text = receipt_text(history.newest_root) or ""
    if not why_not and not text:
        why_not = "its newest generation has no root hash in xxh128"
    return Receipt(scope, number, "" if why_not else text, why_not)


def _why_not(coverage: Coverage | None, checked: Checked, history: History) -> str:
    if history.faults:
        return "its history is broken"
    if coverage is None or not coverage.is_whole:
        return "not all of its files are as recorded"
    if checked.read_back in (ReadBack.CACHED, ReadBack.NONE):
        return "its files were not shown to have been read from the drive"
    return ""


def _comparison(text: str, scope: bytes, history: History) -> ReceiptComparison:
    newest = ReceiptMatch(ReceiptOutcome.NOTHING_TO_COMPARE)
    number = history.generations[-1].number if history.generations else 0
    for generation in reversed(history.generations):
        match = match_receipt(text, generation.head.root)
        if match.outcome is ReceiptOutcome.EQUAL:
            return ReceiptComparison(scope, generation.number, generation.number == number, match)
        if generation.number == number:
            newest = match
    return ReceiptComparison(scope, number, True, newest)
