"""The page that the next person starts from: every way to mend a hold, each on a line."""

import os
from pathlib import Path

from offload.cli.handover_page import page_of
from offload.ledger.database import Ledger
from offload.ledger.standing import Place
from offload.station.overview import CardLine, OpenHold, Overview
from offload.values.verdict import Answer

NOON = 1_800_000_000_000_000_000
WAYS = "other cable: offload copy A003\nor settle it: offload settle A003"
HELD = CardLine(
    1, "A003", "K7-4M2P", "UNTITLED", Place.IN_READER, b"/media/UNTITLED", NOON, 0, 41,
    118_400_000_000, Answer.HELD,
    (OpenHold("too-few-copies", "3 files are on one drive only.", WAYS),), (), None, None,
)  # fmt: skip


def test_each_way_to_mend_a_hold_has_a_line_of_its_own(tmp_path: Path) -> None:
    overview = Overview(NOON, None, (HELD,), (), ())
    with Ledger(os.fsencode(tmp_path / "home")) as ledger:
        page = page_of(overview, ledger, to="second wrangler", by="station-1", production="")
    lines = page.splitlines()
    at = lines.index("      too-few-copies: 3 files are on one drive only.")
    assert lines[at + 1] == "      DO  other cable: offload copy A003"
    assert lines[at + 2] == "      OR  settle it: offload settle A003"
