"""The documents say what the code does."""

import os
import re
from pathlib import Path

from offload.clearance import holds_table

ROOT = Path(__file__).resolve().parent.parent


def test_table_of_holds_is_the_codes_own() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    found = re.search(r"<!-- holds -->\n(.*?)\n<!-- /holds -->", text, re.DOTALL)
    assert found is not None
    assert found.group(1).strip() == holds_table().strip()


def test_top_level_holds_nothing_else() -> None:
    """README, DEVELOPERS, project file, package, tests, config, scripts; hidden files aside."""
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "offload", "tests", "config", "scripts",
    }  # fmt: skip
    made = {"demo", "build", "dist"}
    there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert {name for name in there - made if not name.endswith(".egg-info")} == allowed


def test_every_command_has_an_example() -> None:
    from offload.cli.main import _COMMANDS

    text = (ROOT / "README.md").read_text("utf-8")
    assert [name for name in _COMMANDS if f"offload {name}" not in text] == []


def test_tests_of_the_standard_are_there_and_name_it() -> None:
    """Every file in the table names ASC MHL, and every file that names it stands in the table."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    start = text.index("### The hash-list standard, part by part")
    named = set(re.findall(r"`([\w/]+\.py)`", text[start : text.index("\n## ", start)]))
    tests = ROOT / "tests"
    silent = {each for each in named if "ASC MHL" not in (tests / each).read_text("utf-8")}
    assert silent == set()
    speaking = {
        os.fspath(path.relative_to(tests))
        for folder in ("record", "cli")
        for path in (tests / folder).glob("test_*.py")
        if "ASC MHL" in path.read_text("utf-8").partition('"""')[2].partition('"""')[0]
    }
    assert speaking - named == set()
