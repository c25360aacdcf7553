"""The fault lab from the command line: ``scripts/fault-lab``.

Each invocation adds its runs to a table in a file, so that a long form can be done in parts; a
case that broke an invariant can be repeated by its name.
"""

import argparse
import itertools
import json
import re
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.lab import cases, machine, odd
from tests.lab.images import Rack
from tests.lab.mounts import LabError
from tests.lab.runner import Runner, Table
from tests.lab.stage import CARD, LEDGER, Case, Stage
from tests.lab.subjects import LibraryOffload

_TABLE = Path("build/fault-lab.json")
_NAMED = re.compile(r"(\S+) (\S+) (\d+) (\S+) (once|for good)")
# The drives are alike: what strikes the first in turn is left to chance on the second.
IN_TURN = (CARD, "drive-1", LEDGER)


def main(arguments: list[str]) -> int:
    """Run what is asked for; 0 when no invariant broke."""
    asked = _parser().parse_args(arguments)
    table = _earlier(asked.table)
    if asked.add:
        for path in asked.add:
            table.add_table(_earlier(path))
        print(*table.summary(), sep="\n")
        return 0
    before = table.broken
    try:
        with machine.one_processor(), staged(asked.folder) as stage:
            _run(asked, stage, table)
    except LabError as error:
        print(f"left at the end: {error}")
        return 1
    finally:
        print(*table.lines(), sep="\n")
    return 1 if table.broken > before else 0


def _run(asked: argparse.Namespace, stage: Stage, table: Table) -> None:
    runner = Runner(stage, LibraryOffload(surroundings=machine.steady_loops_as_disks()))
    baseline = runner.baseline()
    for case in itertools.islice(_chosen(asked, baseline), asked.begin, None):
        result = runner.run(case)
        table.add(result)
        if result.broken:
            print(f"BROKEN {case.name}", *(f"  {text}" for text in result.broken), sep="\n")
        elif table.runs % 100 == 0:
            print(f"{table.runs} runs, {table.faults} operations struck", flush=True)
        _keep(table, asked.table)


@contextmanager
def staged(folder: Path | None) -> Iterator[Stage]:
    """A stage in a temporary folder on a disk, taken away afterwards."""
    with tempfile.TemporaryDirectory(prefix="fault-lab-", dir=folder) as made:
        rack = Rack(Path(made))
        try:
            stage = Stage(rack, Path(made) / "stage")
            try:
                yield stage
            finally:
                stage.close()
        finally:
            rack.close()


def counts(baseline: dict[str, list[Any]]) -> dict[str, dict[str, int]]:
    """How often each operation occurs on each place in a run without a fault."""
    found: dict[str, dict[str, int]] = {}
    for place, calls in baseline.items():
        found[place] = {}
        for call in calls:
            found[place][call.op] = found[place].get(call.op, 0) + 1
    return found


def _chosen(asked: argparse.Namespace, baseline: dict[str, list[Any]]) -> Iterable[Case]:
    in_turn: dict[str, Callable[..., Iterator[Case]]] = {
        "short": cases.short,
        "exhaustive": cases.exhaustive,
    }
    for form, made in in_turn.items():
        if getattr(asked, form):
            for place in asked.places:
                yield from made(place, baseline[place])
    if asked.odd:
        yield from odd.every(asked.places, baseline)
    if asked.full:
        numbers = _range(asked.full)
        yield from odd.full(numbers)
        yield from odd.full(numbers[::8], tells=True)
    if asked.seeds:
        known = counts(baseline)
        for seed in _range(asked.seeds):
            yield cases.random_case(seed, known)
    if asked.repeat:
        yield _named(asked.repeat, baseline)


def _range(told: str) -> range:
    first, last = (int(part) for part in told.split("-"))
    return range(first, last + 1)


def _named(name: str, baseline: dict[str, list[Any]]) -> Case:
    if name.startswith("seed "):
        return cases.random_case(int(name.split()[1].rstrip(":")), counts(baseline))
    found = _NAMED.fullmatch(name)
    case = next((each for each in odd.every(IN_TURN, baseline) if each.name == name), None)
    if name.startswith("drive-1 full"):
        case = next(odd.full([int(name.split()[-1])], tells="told" in name))
    if found and case is None:
        place, op, nth, kind, lasting = found.groups()
        case = cases.made(place, op, int(nth), kind, for_good=lasting == "for good")
    if case is None:
        raise SystemExit(f"no case is called {name!r}")
    return case


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("fault-lab", description=__doc__)
    parser.add_argument("--short", action="store_true", help="some sites, every kind (minutes)")
    parser.add_argument(
        "--exhaustive", action="store_true", help="every operation in turn (half an hour)"
    )
    parser.add_argument(
        "--odd", action="store_true", help="odd drives, rarer errors, lost entries (minutes)"
    )
    parser.add_argument("--full", metavar="A-B", help="a drive with room for so many bytes")
    parser.add_argument("--seeds", metavar="A-B", help="random cards and faults, by seed")
    parser.add_argument("--repeat", metavar="CASE", help="one case, by the name that was printed")
    parser.add_argument(
        "--from",
        dest="begin",
        metavar="N",
        type=int,
        default=0,
        help="leave out the first N cases of what is asked for, which were run before",
    )
    parser.add_argument(
        "--add", metavar="F", type=Path, nargs="+", help="tables to add up, by place"
    )
    parser.add_argument("--places", nargs="+", default=IN_TURN, help="for the first two")
    parser.add_argument("--table", type=Path, default=_TABLE, help="adds up there (%(default)s)")
    parser.add_argument("--folder", type=Path, help="for temporary files, on a disk")
    return parser


def _earlier(path: Path) -> Table:
    return Table.from_dict(json.loads(path.read_text())) if path.exists() else Table()


def _keep(table: Table, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_suffix(".new")
    new.write_text(json.dumps(table.to_dict(), indent=1))
    new.replace(path)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
