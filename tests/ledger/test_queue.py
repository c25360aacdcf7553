"""The station's line as faces see it."""

from dataclasses import replace

from offload.ledger import Ledger, queue
from tests.ledger.conftest import NOON

FIRST = queue.Queued("boot:1", b"/media/A\xff", "A\udcff\x1b", queue.Stage.WAITING, NOON)


def test_line_is_in_order_of_coming(ledger: Ledger) -> None:
    queue.put(ledger, replace(FIRST, mounting="boot:3", since_ns=NOON + 2))
    queue.put(ledger, FIRST)
    assert [each.mounting for each in queue.in_line(ledger)] == ["boot:1", "boot:3"]
    assert queue.in_line(ledger)[0] == FIRST


def test_place_in_line_stays_when_the_stage_changes(ledger: Ledger) -> None:
    queue.put(ledger, FIRST)
    missing = replace(
        FIRST,
        stage=queue.Stage.DRIVE_MISSING,
        drives=("shuttle-1", "shuttle-2"),
        why="waits for shuttle-1",
        since_ns=NOON + 5,
    )
    queue.put(ledger, missing)
    assert queue.in_line(ledger) == (replace(missing, since_ns=NOON),)


def test_volume_that_left_is_taken_off(ledger: Ledger) -> None:
    queue.put(ledger, FIRST)
    queue.put(ledger, replace(FIRST, mounting="boot:2"))
    queue.take_off(ledger, "boot:1")
    assert [each.mounting for each in queue.in_line(ledger)] == ["boot:2"]


def test_restart_forgets_what_left_meanwhile(ledger: Ledger) -> None:
    for number in range(4):
        queue.put(ledger, replace(FIRST, mounting=f"boot:{number}", since_ns=NOON + number))
    queue.keep_only(ledger, ["boot:2", "boot:9"])
    assert [each.mounting for each in queue.in_line(ledger)] == ["boot:2"]
