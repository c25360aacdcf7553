"""Speed and memory beside the tools that somebody would use instead; prints a table.

Usage: scripts/bench [--folder FOLDER] [--runs N] [--list] [ROW ...]
Rows run in rounds, every step once a round, from cold caches; figures are of the two steps of one
round. A row is reached only when every round reaches it.
"""

import argparse
import os
import platform
import shutil
import statistics
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from tests.bench.rows import ROWS, Row
from tests.bench.running import CommandError, Sample
from tests.bench.steps import Bench, Step

Samples = dict[str, list[Sample]]


def measure(bench: Bench, rows: Sequence[Row], runs: int) -> tuple[Samples, dict[str, str]]:
    """Samples by step, one a round, and why a step could not be measured."""
    samples: Samples = {}
    failures: dict[str, str] = {}
    steps = {step.name: step for row in rows for step in _steps(row)}
    for number in range(runs):
        for name, step in steps.items():
            if name in failures:
                continue
            if step.missing:
                failures[name] = f"needs {', '.join(step.missing)}"
                continue
            try:
                sample = step.run(bench)
            except (CommandError, OSError) as error:
                failures[name] = str(error).strip().splitlines()[-1]
                print(f"{name}: {error}", file=sys.stderr)
                continue
            samples.setdefault(name, []).append(sample)
            print(f"round {number + 1} {name}: {_said(sample)}", file=sys.stderr, flush=True)
    return samples, failures


def _steps(row: Row) -> Iterable[Step]:
    return (row.ours,) if row.other is None else (row.ours, row.other)


def _said(sample: Sample) -> str:
    return (
        f"{sample.elapsed_s:.2f} s, CPU {sample.computing_s:.2f} s, {sample.peak_bytes // 10**6} MB"
    )


def lines(rows: Sequence[Row], samples: Samples, failures: Mapping[str, str]) -> list[str]:
    """The table in Markdown."""
    found = [
        "| row | work | ours | beside | figure: median (spread) | to reach | |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        why = [failures[step.name] for step in _steps(row) if step.name in failures]
        if why:
            found.append(f"| {row.name} | {row.title} | | | | | not measured: {why[0]} |")
            continue
        ours = samples[row.ours.name]
        others = samples[row.other.name] if row.other is not None else ours
        beside = f"{row.other.name}, {_median_s(others)}" if row.other is not None else ""
        for goal in row.goals:
            figures = [goal.figure(mine, other) for mine, other in zip(ours, others, strict=True)]
            median = goal.label.format(statistics.median(figures))
            spread = f"{goal.label.format(min(figures))} to {goal.label.format(max(figures))}"
            limit = ("at most " if goal.is_most else "at least ") + goal.label.format(goal.limit)
            verdict = "reached" if goal.is_reached(figures) else "**not reached**"
            found.append(
                f"| {row.name} | {row.title} | {_median_s(ours)} | {beside} | {median} ({spread}) "
                f"| {limit} | {verdict} |"
            )
    return found


def _median_s(samples: Sequence[Sample]) -> str:
    computing = statistics.median(each.computing_s for each in samples)
    elapsed = statistics.median(each.elapsed_s for each in samples)
    return f"{elapsed:.2f} s (CPU {computing:.2f} s)"


def machine(folder: Path) -> list[str]:
    """What the figures were measured on."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    fs = _output("stat", "-f", "-c", "%T", os.fspath(folder))
    return [
        f"{os.cpu_count()} cores, {memory:.0f} GB of memory, {platform.system()} "
        f"{platform.release()}, {fs}, Python {platform.python_version()}, load at the end "
        f"{os.getloadavg()[0]:.1f}",
        *_disk(folder),
    ]


def _disk(folder: Path) -> list[str]:
    """The disk's own figures, with our block sizes."""
    if shutil.which("fio") is None:
        return ["fio is missing: the disk's own figures are not known"]
    file = folder / "fio.data"
    kinds = {"write": ("4M", 4), "read": ("4M", 4), "randread": ("100k", 16)}
    found = []
    try:
        for kind, (block, depth) in kinds.items():
            said = _output(
                "fio",
                "--name=x",
                f"--filename={file}",
                "--size=1G",
                f"--rw={kind}",
                f"--bs={block}",
                "--ba=4k",
                "--direct=1",
                "--ioengine=libaio",
                f"--iodepth={depth}",
                "--norandommap",
                "--output-format=terse",
            )
            fields = next(line for line in said.splitlines() if line.startswith("3;")).split(";")
            rate = int(fields[47 if kind == "write" else 6]) / 1000
            found.append(f"{kind} {block} x {depth}: {rate:.0f} MB/s")
    finally:
        file.unlink(missing_ok=True)
    return ["the disk's own figures (fio, direct): " + ", ".join(found)]


def _output(*command: str) -> str:
    return subprocess.run(command, check=False, capture_output=True, text=True).stdout.strip()


def main(words: Sequence[str]) -> int:
    """Measure the rows asked for; 1 when one is not reached or could not be measured."""
    parser = argparse.ArgumentParser(
        prog="scripts/bench", description=(__doc__ or "").splitlines()[0]
    )
    parser.add_argument("rows", nargs="*", metavar="ROW", help="all when left out")
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp/offload-bench"))
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--list", action="store_true", help="name the rows and stop")
    chosen = parser.parse_args(words)
    unknown = set(chosen.rows) - {row.name for row in ROWS}
    if unknown:
        parser.error(f"there is no row {', '.join(sorted(unknown))}")
    rows = [row for row in ROWS if not chosen.rows or row.name in chosen.rows]
    if chosen.list:
        print("\n".join(f"{row.name:16} {row.title}" for row in rows))
        return 0
    if os.geteuid() != 0:
        parser.error("dropping caches and slowing devices needs root")
    chosen.folder.mkdir(parents=True, exist_ok=True)
    bench = Bench(chosen.folder)
    try:
        samples, failures = measure(bench, rows, chosen.runs)
        table = lines(rows, samples, failures)
        print("\n".join([*machine(chosen.folder), "", *table]))
    finally:
        shutil.rmtree(bench.work, ignore_errors=True)
    return int(any("not " in line for line in table))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
