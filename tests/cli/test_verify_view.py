"""A verification on a screen: at any width, with hostile names, in the words for each thing."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rich.cells import cell_len

from offload.cli.verify_screen import Pen
from offload.cli.verify_view import verification_lines
from offload.jobs.verify_result import (
    Answer,
    ClearanceReport,
    ClearanceState,
    Coverage,
    FileReport,
    FileState,
    Receipt,
    Saying,
    SignatureReport,
    SignatureState,
    Verification,
)
from offload.jobs.verify_sentences import of_clearance, of_files, of_signature
from offload.record.expected import Arrival
from offload.record.find import RecordKind
from offload.values.entries import Entries
from offload.values.facts import ReadBack
from offload.values.findings import Finding
from tests.jobs.verify_scene import Copies

NOW = datetime(2026, 11, 25, 2, 11, 45, tzinfo=UTC)
HOSTILE = "a\x1b]0;X\x07b\rSAFE TO ERASE\x1b[2J[/b][red]\u202e<script>\x85"
RAW = HOSTILE.encode()
SAYING = Saying(
    b"A001/ascmhl", RecordKind.HISTORY, 1, NOW, HOSTILE, "xxh128", "0" * 32, "1" * 32, False
)


def verification(**changes: object) -> Verification:
    made = Verification(
        folder=b"/media/shuttle-1/A001",
        base=b"/media/shuttle-1",
        answer=Answer.AS_RECORDED,
        reasons=(),
        counts={FileState.AS_RECORDED: 5},
        bytes_read=1_600_000,
        read_back=ReadBack.DEVICE,
        reports=(),
        coverage=(Coverage(RecordKind.HISTORY, b"A001/ascmhl", b"A001", files=5, good=5),),
        signatures=(),
        clearances=(),
        faults=(),
        notices=(),
        half_done=(),
        entries=Entries(),
        states=b"",
        missing=(),
        started_at=NOW,
        ended_at=NOW,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def text(found: Verification, width: int | None = 80) -> str:
    return "\n".join(line.text for line in verification_lines(found, Pen(width)))


def hostile() -> Verification:
    """Everything that can be said, with a name from a hostile card in every place."""
    signatures = tuple(
        SignatureReport(RAW, RAW, state, None, HOSTILE, "SHA256:x", HOSTILE, RAW, 2, "damaged")
        for state in SignatureState
    )
    clearances = tuple(
        ClearanceReport(RAW, state, ("shuttle-1",), "why") for state in ClearanceState
    )
    reports = tuple(
        FileReport(RAW + bytes([65 + at]), state, RAW, "why", (SAYING,))
        for at, state in enumerate(FileState)
        for _ in range(20)
    )
    return verification(
        folder=b"/media/" + RAW,
        answer=Answer.DIFFERS,
        reasons=("differs", "receipt-differs"),
        counts=dict.fromkeys(FileState, 20),
        reports=reports,
        signatures=signatures,
        clearances=clearances,
        faults=(Finding("chain-unreadable", "is cut", RAW),) * 60,
        notices=(Finding("not-a-file", "is a link", RAW),) * 60,
        half_done=(Finding("incomplete", "is half", RAW), Finding("kept-aside", "old", RAW)),
        arrivals=(Arrival(RAW, 3, 1, (RAW, RAW)), Arrival(RAW, 3, 0), Arrival(RAW, 3, 3)),
        receipts=(Receipt(RAW, 1, "d211 8695"), Receipt(RAW, 1, "", "it is broken")),
        not_appended="the drive is full",
    )


@pytest.mark.parametrize("width", [60, 80, 132])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    for line in verification_lines(hostile(), Pen(width)):
        # A command is never broken inside a word, so that it can be copied as it is.
        is_command = line.style == "bold" and line.text.startswith(" " * 10)
        if not is_command:
            assert cell_len(line.text) <= width, line.text


def test_nothing_from_outside_moves_the_cursor() -> None:
    for width in (60, None):
        shown = text(hostile(), width).replace("\n", "")
        assert shown.isprintable()


def test_answer_comes_first_and_only_one_of_three() -> None:
    words = {
        Answer.AS_RECORDED: "AS RECORDED",
        Answer.DIFFERS: "NOT AS RECORDED",
        Answer.NOTHING_VERIFIED: "NOTHING COULD BE VERIFIED",
    }
    for answer, first in words.items():
        head = text(verification(answer=answer)).splitlines()[0]
        assert head.split("  ")[1] == first


def test_every_state_has_a_sentence_of_its_own() -> None:
    reports = [
        SignatureReport(b"s", b"a", state, None, "x", "f", "", b"o", 1, "w")
        for state in SignatureState
    ]
    assert len({of_signature(report) for report in reports}) == len(SignatureState)
    clearances = [ClearanceReport(b"c", state, ("d",)) for state in ClearanceState]
    assert len({of_clearance(report) for report in clearances}) == len(ClearanceState)
    bad = [state for state in FileState if 2 <= state <= 10 and state is not FileState(8)]
    assert len({of_files(state, 2, b"/x").text for state in bad}) == len(bad)


def test_files_and_records_of_one_kind_are_bounded_and_counted() -> None:
    reports = tuple(
        FileReport(b"%05d.mov" % number, FileState.DIFFERS, sayings=(SAYING,))
        for number in range(5000)
    )
    found = verification(
        answer=Answer.DIFFERS, counts={FileState.DIFFERS: 1_000_000}, reports=reports
    )
    shown = text(found)
    assert "differs: 1,000,000 files are not what was recorded." in shown
    assert "and 999,992 more" in shown
    assert len(shown.splitlines()) < 60


def test_signature_that_vouches_for_nothing_is_said_in_the_headline() -> None:
    unknown = SignatureReport(b"s", b"a", SignatureState.UNKNOWN_KEY, fingerprint="SHA256:x")
    assert "signed by a key that is not known here" in text(
        verification(signatures=(unknown,)), None
    )
    assert "nobody known here has signed" in text(verification(), None)
    good = replace(unknown, state=SignatureState.GOOD, signer="station-1")
    assert "nobody known" not in text(verification(signatures=(good,)), None)


def test_trusting_names_the_drives_list_and_asks_for_a_telephone() -> None:
    unknown = SignatureReport(
        b"records/A001/c.sig",
        b"a",
        SignatureState.UNKNOWN_KEY,
        fingerprint="SHA256:x",
        claimed="station-1",
    )
    shown = text(verification(signatures=(unknown,)), None)
    assert "by telephone" in shown
    command = "offload key trust /media/shuttle-1/records/A001/allowed_signers --as NAME"
    assert command in shown


def test_receipt_of_which_one_group_differs_is_asked_for_again(tmp_path: Path) -> None:
    made = Copies.make(tmp_path, {"a.mov": b"take 1"})
    (receipt,) = made.verify(with_receipt=True).receipts
    groups = receipt.text.split()
    wrong = " ".join([*groups[:2], f"{int(groups[2], 16) ^ 1:04x}", *groups[3:]])
    shown = text(made.verify(against_receipt=wrong), None)
    assert "group 3 of eight is another" in shown
    assert "slip of the ear" in shown
