"""How everything stands, as lines: the alarm first, nothing that looks like a verdict."""

from dataclasses import replace

import pytest

from offload.cli.status_view import status_lines
from offload.ledger.locks import Holder
from offload.ledger.pulse import DrivePulse, Pulse
from offload.ledger.queue import Queued, Stage
from offload.ledger.standing import Place
from offload.station.others import OtherLine
from offload.station.overview import CardLine, DriveLine, OpenHold, Overview
from offload.values.verdict import Answer

NOON = 1_795_600_000 * 10**9
SAFE = CardLine(
    1, "A001", "K7-4M2P", "", Place.OUT_WAS_SAFE, b"/media/A", NOON, NOON, 41, 118_400_000_000,
    Answer.CLEARED, (), ("shuttle-1", "shuttle-2"), None, None,
)  # fmt: skip
HELD = replace(
    SAFE,
    called="A003",
    place=Place.IN_READER,
    answer=Answer.HELD,
    safe_ns=0,
    holds=(OpenHold("too-few-copies", "3 files are on one drive only.", "offload copy A003"),),
)
LOST = replace(HELD, called="A004", place=Place.OUT_NOT_PROVEN)
RUN = Pulse(
    7, NOON, 4711, "A005", "copying", 71_200_000_000, 118_400_000_000, 3, 41, 402e6, 120.0, NOON,
    "", (DrivePulse("shuttle-1", "copying", 71_100_000_000, 118_400_000_000, 402e6, 120.0),),
)  # fmt: skip
WORKING = replace(HELD, called="A005", answer=None, holds=(), run=RUN)
DRIVE = DriveLine(
    "shuttle-1", True, True, True, False, b"/media/S1", 4 * 10**12, 10**12, 10**11, 3600.0, 9, ()
)
STATION = Holder(4711, "cart", NOON)


def overview(*cards: CardLine, station: Holder | None = STATION) -> Overview:
    return Overview(NOON, station, cards, (), (DRIVE,))


def test_card_that_is_out_unproven_comes_first() -> None:
    lines = status_lines(overview(LOST, SAFE, HELD), 100)
    assert lines[2] == "1 CARD IS OUT AND NOT PROVEN. DO NOT ERASE."
    assert lines[3].lstrip().startswith("A004")


@pytest.mark.parametrize("width", [60, 72, 100, 200, None])
def test_nothing_is_wider_than_the_screen_and_nothing_is_a_verdict(width: int | None) -> None:
    lines = status_lines(overview(LOST, SAFE, HELD, WORKING), width)
    assert width is None or all(len(line) <= width for line in lines)
    assert not any("SAFE TO ERASE" in line for line in lines)


def test_hold_comes_with_what_to_do() -> None:
    text = "\n".join(status_lines(overview(HELD), 100))
    assert "KEEP IT" in text and "too-few-copies" in text and "DO  offload copy A003" in text


def test_each_way_to_mend_a_hold_has_a_line_of_its_own() -> None:
    two_ways = "other cable: offload copy A003\nor settle it: offload settle A003"
    hold = OpenHold("too-few-copies", "3 files are on one drive only.", two_ways)
    lines = status_lines(overview(replace(HELD, holds=(hold,))), 60)
    assert not any("\n" in line for line in lines)
    told = [line.strip() for line in lines if line.strip().startswith(("DO", "OR"))]
    assert told == ["DO  other cable: offload copy A003", "OR  settle it: offload settle A003"]


def test_running_card_has_its_rate_and_its_drives() -> None:
    text = "\n".join(status_lines(overview(WORKING), 100))
    assert "KEEP THE CARD IN" in text
    assert "71.2 GB of 118.4 GB" in text and "402 MB/s" in text
    assert "shuttle-1" in text


def test_drive_that_is_through_with_a_step_says_which() -> None:
    drive = DrivePulse("shuttle-1", "done", 118_400_000_000, 118_400_000_000)
    for step, said in (("copying", "all down"), ("proving", "all read back")):
        run = replace(RUN, step=step, drives=(drive,))
        text = "\n".join(status_lines(overview(replace(WORKING, run=run)), 100))
        assert f"118.4 GB, {said}" in text


@pytest.mark.parametrize("width", [60, 80, None])
def test_delivery_is_shown_with_its_drives_and_no_words_of_cards(width: int | None) -> None:
    run = replace(RUN, roll="B001", step="proving", done_bytes=0, total_bytes=0)
    other = OtherLine("NIGHT-04", "NIGHT-04", b"/media/NIGHT-04", Stage.WORKING, "at work", run)
    lines = status_lines(replace(overview(), others=(other,)), width)
    text = "\n".join(lines)
    assert "NIGHT-04     Nothing is said of this delivery yet." in text
    assert "B001, 41 files, /media/NIGHT-04" in text
    assert "shuttle-1    71.1 GB" in text
    assert not any(word in text for word in ("KEEP", "card", "verdict", "0 B of 0 B"))
    assert width is None or all(len(line) <= width for line in lines)


def test_why_a_card_has_no_verdict_is_shown() -> None:
    why = "no verdict: no room on shuttle-1\nmake room there, then: offload copy"
    row = Queued("key", b"/media/A", "", Stage.DONE, NOON, why)
    lines = status_lines(overview(replace(WORKING, run=None, queued=row)), 100)
    at = lines.index("      no verdict: no room on shuttle-1")
    assert lines[at + 1] == "        DO  make room there, then: offload copy"


@pytest.mark.parametrize(
    ("is_begun", "why"), [(True, "taken out before it was proven"), (False, "never worked on")]
)
def test_lost_card_without_an_answer_tells_how_far_it_was(is_begun: bool, why: str) -> None:
    lost = replace(LOST, answer=None, is_begun=is_begun)
    text = " ".join(" ".join(status_lines(overview(lost), 80)).split())
    assert why in text


def test_no_station_is_said_first() -> None:
    lines = status_lines(overview(SAFE, station=None), 100)
    assert "NO STATION IS AT WORK" in lines[0]


def test_drive_tells_when_it_is_full() -> None:
    text = "\n".join(status_lines(overview(SAFE), 100))
    assert "busy" in text and "full at about" in text
