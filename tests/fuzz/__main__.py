"""Fuzzes the readers one after the other and prints what came of it; see ``scripts/fuzz``."""

import argparse
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.targets import TARGETS

WORK = Path("build/fuzz")
HANG_S = 5


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one reader's run came to.

    Attributes:
        runs: inputs tried.
        reached: branches reached, by the last line that tells.
        kept: inputs in the corpus at the end.
        memory_mib: most at one moment, the fuzzer's own included.
        found: why it ended early; empty where nothing was found.
    """

    runs: int
    reached: int
    kept: int
    memory_mib: int
    found: str


def fuzz(reader: str, seconds: int, memory_mib: int) -> Outcome:
    """Fuzz one reader for some time, or until something is found."""
    target = TARGETS[reader]
    corpus, begun = WORK / reader / "corpus", WORK / reader / "seeds"
    for folder in (corpus, begun):
        folder.mkdir(parents=True, exist_ok=True)
    for at, seed in enumerate(target.seeds()):
        (begun / f"{at:03}").write_bytes(seed)
    words = WORK / reader / "words"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in target.words))
    options = [
        f"-max_total_time={seconds}",
        f"-timeout={HANG_S}",
        f"-rss_limit_mb={memory_mib}",
        f"-max_len={target.largest_bytes}",
        f"-artifact_prefix={WORK / reader}/",
        "-print_final_stats=1",
        *([f"-dict={words}"] if target.words else []),
    ]
    command = [sys.executable, "-m", "tests.fuzz.one", reader, *options]
    log = WORK / reader / "log"
    with log.open("wb") as out:
        done = subprocess.run(
            [*command, os.fspath(corpus), os.fspath(begun)], stdout=out, stderr=out, check=False
        )
    text = log.read_text(errors="replace")
    last = re.findall(r"cov: (\d+) ft: (\d+) corp: (\d+)", text)
    reached, _, kept = last[-1] if last else ("0", "0", "0")
    found = f"ended with {done.returncode}: {log}" if done.returncode else ""
    return Outcome(
        _number(text, "number_of_executed_units"),
        int(reached),
        int(kept),
        _number(text, "peak_rss_mb"),
        found,
    )


def _number(text: str, name: str) -> int:
    found = re.search(rf"stat::{name}:\s+(\d+)", text)
    return int(found[1]) if found else 0


def _escaped(word: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in word)


def main() -> int:
    """Fuzz what was asked for; 1 when anything was found."""
    parser = argparse.ArgumentParser(prog="scripts/fuzz")
    parser.add_argument("reader", nargs="*", help=f"of {', '.join(TARGETS)}; all when left out")
    parser.add_argument("--seconds", type=int, default=120, help="for each reader")
    parser.add_argument("--memory", type=int, default=768, help="MiB, the fuzzer's own included")
    given = parser.parse_args()
    unknown = set(given.reader) - set(TARGETS)
    if unknown:
        parser.error(f"no reader is called {', '.join(sorted(unknown))}")
    is_found = False
    print(f"{'reader':<10} {'inputs':>9} {'branches':>9} {'kept':>6} {'MiB':>5}  found", flush=True)
    for reader in given.reader or TARGETS:
        done = fuzz(reader, given.seconds, given.memory)
        is_found = is_found or bool(done.found)
        print(
            f"{reader:<10} {done.runs:>9,} {done.reached:>9,} {done.kept:>6,} "
            f"{done.memory_mib:>5}  {done.found or 'nothing'}",
            flush=True,
        )
    return int(is_found)


if __name__ == "__main__":
    sys.exit(main())
