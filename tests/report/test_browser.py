"""Pages in a real browser: nothing runs, nothing is fetched, nothing is wrong for a reader.

Sources: the browser's own parser and policy; axe-core's rules (WCAG 2).
"""

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.report.pages import page_of_day, page_of_production, page_of_roll
from offload.report.roll_facts import roll_facts
from tests.report.browser import PROGRAM, Browser
from tests.report.scene import NOON, RollMade, held_roll, hostile_roll, sources

pytestmark = pytest.mark.lab

WIDE, PAPER_A4_PX, PAPER_LETTER_PX = 1400, 794, 816
"""CSS pixels; A4 and Letter are 210 mm and 8.5 in at 96 a inch."""


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    assert PROGRAM, "no chromium: apt-get install chromium"
    with Browser(tmp_path / "profile") as opened:
        yield opened


@pytest.fixture
def shown(ledger: Ledger, tmp_path: Path) -> dict[str, Path]:
    """All kinds of pages, as files."""
    made = [roll.write(ledger) for roll in (RollMade(), held_roll(), hostile_roll())]
    source = sources(ledger)
    found = [roll_facts(source, rolls.get(ledger, number)) for number in made]
    contents = {
        "cleared": page_of_roll(found[0], source, NOON, "A001.csv"),
        "held": page_of_roll(found[1], source, NOON, "A002.csv"),
        "hostile": page_of_roll(found[2], source, NOON, f"{found[2].roll.name}.csv"),
        "day": page_of_day("2026-11-24", found, source, NOON, "day.csv"),
        "production": page_of_production("Night Ferry", found, source, NOON, "p.csv"),
    }
    for name, content in contents.items():
        (tmp_path / f"{name}.html").write_bytes(content)
    return {name: tmp_path / f"{name}.html" for name in contents}


def test_hostile_names_run_nothing_and_fetch_nothing(
    browser: Browser, shown: dict[str, Path]
) -> None:
    for name in ("hostile", "day", "production"):
        browser.open(shown[name])
        assert browser.value("document.title") != "owned"
        assert browser.value("document.scripts.length") == 0
        assert browser.value("document.styleSheets.length") == 1
        asked = [each for each in browser.requests() if not each.startswith("data:image/jpeg;")]
        assert asked == [shown[name].as_uri()]
        broken = "[...document.images].filter(i => !(i.complete && i.naturalWidth)).length"
        assert browser.value(broken) == 0
    # The policy itself: even a script that did get into the page would not run.
    browser.open(shown["hostile"])
    browser.value(
        "document.body.append(Object.assign(document.createElement('script'),"
        "{textContent: 'document.title = \"owned\"'}))"
    )
    assert browser.value("document.title") != "owned"


def test_every_page_can_be_read_and_printed_by_everybody(
    browser: Browser, shown: dict[str, Path]
) -> None:
    axe = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
    for name, page in shown.items():
        for scheme in ("light", "dark"):
            colours = [{"name": "prefers-color-scheme", "value": scheme}]
            browser.ask("Emulation.setEmulatedMedia", media="screen", features=colours)
            _be_wide(browser, WIDE)
            browser.open(page)
            browser.value(f"{axe}; 0")
            found = browser.value(
                "axe.run().then(r => r.violations.map(v => [v.id, v.impact, v.nodes[0].html]))"
            )
            assert [each for each in found if each[1] in ("serious", "critical")] == [], name
    for width in (PAPER_A4_PX, PAPER_LETTER_PX):
        # 12 mm of margin on either side; nothing of a clip may stand beyond the paper.
        browser.ask("Emulation.setEmulatedMedia", media="print")
        _be_wide(browser, width - 2 * 45)
        browser.open(shown["held"])
        assert browser.value("document.documentElement.scrollWidth <= innerWidth")


NARROW_PX = 360
"""A telephone held upright."""


def test_narrow_window_shows_everything_without_moving_sideways(
    browser: Browser, shown: dict[str, Path]
) -> None:
    axe = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
    for name in ("cleared", "held", "hostile"):
        browser.ask("Emulation.setEmulatedMedia", media="screen")
        _be_wide(browser, NARROW_PX)
        browser.open(shown[name])
        assert browser.value("document.documentElement.scrollWidth <= innerWidth"), name
        moved = "[...document.querySelectorAll('.wide')].filter(e => e.scrollWidth > e.clientWidth)"
        assert browser.value(f"{moved}.length") == 0, name
        # A heading above each column is out of sight: every cell says what it is.
        cells = "[...document.querySelectorAll('table.clips td[data-label]')]"
        said = browser.value(f"{cells}.map(c => getComputedStyle(c, '::before').content)")
        assert said[:4] == ['"Timecode and length"', '"Format"', '"Sound"', '"Checked"']
        # Drawn as blocks, it is a table still to who has it read aloud.
        assert browser.value("document.querySelectorAll('[role=rowheader]').length") > 0
        browser.value(f"{axe}; 0")
        found = browser.value("axe.run().then(r => r.violations.map(v => [v.id, v.impact]))")
        assert [each for each in found if each[1] in ("serious", "critical")] == [], name


def _be_wide(browser: Browser, width: int) -> None:
    browser.ask(
        "Emulation.setDeviceMetricsOverride",
        width=width,
        height=1000,
        deviceScaleFactor=1,
        mobile=False,
    )
