"""One JSON object a line, with the fields that scripts rely on."""

import io
import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from offload.clearance import Context, decide
from offload.cli.result_json import event_object, line_of, write_event, write_result
from offload.events import (
    CardCoded,
    CardListed,
    DriveDropped,
    Found,
    RollNamed,
    StepFinished,
    StepStarted,
)
from offload.jobs.outcome import Outcome
from offload.values.facts import Facts
from offload.values.findings import Finding
from tests.clearance.cases import BAD, good, with_copy

NOW = datetime(2026, 11, 24, 14, 32, 8, tzinfo=UTC)
HOSTILE = "a\x1b]0;X\x07\r\n\u2028\u202e</script>\x85é"


def _written(facts: Facts, roll: str = "A001") -> str:
    context = Context(roll, "K7-4M2P", b"/media/UNTITLED")
    outcome = Outcome(
        decide(facts, context), facts, context, b"/media/UNTITLED", "UNTITLED", None, {}, NOW, NOW
    )
    stream = io.StringIO()
    write_result(outcome, stream)
    return stream.getvalue()


@pytest.mark.parametrize("facts", [good(), BAD["copy cached"][1]], ids=["cleared", "held"])
def test_result_has_the_promised_fields(facts: Facts) -> None:
    result = json.loads(_written(facts))
    assert {
        "verdict",
        "holds",
        "notices",
        "card",
        "code",
        "roll",
        "copies",
        "bytes",
        "files",
        "manifest",
        "clearance",
    } <= result.keys()
    for hold in result["holds"]:
        assert {"code", "text", "remedy", "settleable"} <= hold.keys()
    for copy in result["copies"]:
        assert {"drive", "path", "verified", "read_back"} <= copy.keys()


def test_result_says_the_answer() -> None:
    assert json.loads(_written(good()))["verdict"] == "cleared"
    held = json.loads(_written(with_copy(3)))
    assert held["verdict"] == "held"
    assert [hold["code"] for hold in held["holds"]] == ["copy-cached"]
    assert held["holds"][0]["settleable"] is False
    assert "offload copy A001" in held["holds"][0]["remedy"]
    assert held["clearance"] is None


@pytest.mark.parametrize("name", BAD)
def test_result_is_one_printable_line(name: str) -> None:
    facts = BAD[name][1]
    drives = tuple(replace(each, name=each.name + HOSTILE) for each in facts.drives)
    notice = Finding("x", HOSTILE, HOSTILE.encode())
    line = _written(replace(facts, drives=drives, notices=(notice,)), HOSTILE)
    assert line.isascii()
    assert line.count("\n") == 1
    assert line.endswith("\n")
    assert all(char.isprintable() for char in line[:-1])
    assert not any(
        char in json.dumps(json.loads(line), ensure_ascii=False) for char in "\x1b\u202e"
    )


@pytest.mark.parametrize(
    ("event", "kind"),
    [
        (StepStarted("copying"), "step-started"),
        (StepFinished("copying", 1.23456), "step-finished"),
        (CardListed(41, 118_400_000_000, "ab" * 32), "card-listed"),
        (CardCoded("K7-4M2P"), "card-coded"),
        (RollNamed(HOSTILE), "roll-named"),
        (Found(Finding("x", HOSTILE, HOSTILE.encode(), HOSTILE)), "found"),
        (DriveDropped(HOSTILE, HOSTILE), "drive-dropped"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_event_is_one_printable_line(event: object, kind: str) -> None:
    stream = io.StringIO()
    write_event(event, stream)  # type: ignore[arg-type]
    line = stream.getvalue()
    assert line.isascii()
    assert line.count("\n") == 1
    found = json.loads(line)
    assert found["type"] == kind
    assert not any(ord(char) < 0x20 for value in found.values() for char in str(value))


def test_event_keeps_its_figures() -> None:
    assert event_object(StepFinished("proving", 1.23456)) == {
        "type": "step-finished",
        "step": "proving",
        "elapsed_s": 1.235,
    }
    assert event_object(CardListed(1, 2, "d"))["bytes"] == 2


def test_line_takes_no_number_that_json_lacks() -> None:
    with pytest.raises(ValueError, match="JSON"):
        line_of({"elapsed_s": float("nan")})
