"""The table of clips, read back by Python's own reader of RFC 4180."""

import csv
import io

from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.report.clip_table import COLUMNS, TABLE_MARK, clip_table
from offload.report.roll_facts import roll_facts
from tests.report.scene import SPELLINGS, RollMade, held_roll, hostile_roll, sources


def table(ledger: Ledger, *numbers: int) -> list[dict[str, str]]:
    found = [roll_facts(sources(ledger), rolls.get(ledger, number)) for number in numbers]
    made = clip_table(found, SPELLINGS)
    assert made.startswith(TABLE_MARK)
    return list(csv.DictReader(io.StringIO(made.decode("utf-8"), newline="")))


def test_one_line_a_clip_with_bare_numbers(ledger: Ledger) -> None:
    rows = table(ledger, RollMade().write(ledger))
    assert len(rows) == 4
    assert tuple(rows[0]) == COLUMNS
    # 537 frames at 24000/1001 last 22.397 s.
    wanted = {
        "roll": "A001",
        "clip": "A001/A001C001_261124_NF.mov",
        "bytes": "1957000000",
        "frame_rate": "24000/1001",
        "frames": "537",
        "length_s": "22.397",
        "timecode_in": "13:01:11:00",
        "timecode_out": "13:01:33:08",
        "drop_frame": "no",
        "channels": "2",
        "peak_dbfs": "[-9.4 -12.0]",
        "copied": "copied",
        "proven_on": "shuttle-1 shuttle-2",
    }
    assert {key: rows[0][key] for key in wanted} == wanted


def test_findings_and_answers_are_there(ledger: Ledger) -> None:
    row = table(ledger, held_roll().write(ledger))[2]
    assert row["complete"] == "not-complete"
    assert row["findings"].startswith("clip-unfinished: no index")
    assert row["rms_dbfs"] == "[-27.2 silent]"


def test_sound_has_its_time_of_day(ledger: Ledger) -> None:
    # 47,531 s after midnight are 13:12:11 (EBU Tech 3285: samples since midnight by their rate).
    row = table(ledger, held_roll().write(ledger))[3]
    assert row["timecode_in"] == "13:12:11.000"


def test_no_text_is_a_formula_and_none_breaks_a_line(ledger: Ledger) -> None:
    made = hostile_roll()
    made.name = '=HYPERLINK("x")'
    made.code = "@SUM(1)"
    rows = table(ledger, made.write(ledger))
    assert len(rows) == 1
    assert rows[0]["roll"] == '\'=HYPERLINK("x")'
    assert rows[0]["card_code"] == "'@SUM(1)"
    assert not [cell for cell in rows[0].values() if cell.startswith(("=", "+", "-", "@"))]
    assert all(cell.isprintable() for cell in rows[0].values())
