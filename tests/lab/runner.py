"""Runs cases against an offload and judges each by the invariants that must always hold.

The judge is :mod:`tests.lab.oracle`: plain tools over the folders behind the faults.
"""

import faulthandler
import threading
import time
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Protocol

from tests.lab import oracle
from tests.lab.cases import USUAL
from tests.lab.processes import nothing_left
from tests.lab.stage import CARD, PLACES, Case, Stage

NEEDED = 2
_HANGS_AFTER_S = 60.0
_HANG_FOR_S = 0.05
_AGAIN = 3
_CHECKER_EVERY = 100
_NOT_MET = "not met"
_NAMED_CAUSES = 5


@dataclass(frozen=True, slots=True)
class Answer:
    """What an offload said.

    Attributes:
        is_cleared: the card may be erased.
        codes: of the holds, or the error's where no verdict was given.
        says_read_once: the words say that the card was read once.
        remedies: what the holds tell to do.
    """

    is_cleared: bool
    codes: tuple[str, ...] = ()
    says_read_once: bool = False
    remedies: tuple[str, ...] = ()


class Subject(Protocol):
    """What is tried: one offload of the stage's card to its drives."""

    def offload(self, stage: Stage, *, card_reads: int) -> Answer:
        """Offload, and say what was said. An error for people is an answer; others are raised."""
        ...


@dataclass(frozen=True, slots=True)
class Result:
    """One case, run and judged.

    Attributes:
        case: what was met.
        struck: operations that met a fault.
        answer: the first answer.
        caught: what named the trouble; ``harmless`` where all is well in truth.
        broken: invariants that did not hold, as sentences.
        runs: offloads it took, with those after the fault was gone.
        elapsed_s: time for all of it.
    """

    case: Case
    struck: int
    answer: Answer
    caught: str
    broken: tuple[str, ...]
    runs: int
    elapsed_s: float


class Runner:
    """Runs cases one after another on one stage."""

    def __init__(self, stage: Stage, subject: Subject) -> None:
        self._stage = stage
        self._subject = subject
        self._runs = 0

    def baseline(self) -> dict[str, list[Any]]:
        """The calls of a run without a fault, by place; it must end cleared.

        Raises:
            AssertionError: it does not: nothing can be shown with this subject.
        """
        self._stage.reset(USUAL)
        answer = self._subject.offload(self._stage, card_reads=2)
        calls = {place: self._stage.calls(place) for place in PLACES}
        copies = self._stage.copies()
        assert answer.is_cleared and copies == NEEDED, f"without a fault: {answer}, {copies} copies"
        return calls

    def run(self, case: Case) -> Result:
        """One case: with its faults, judged; then without them, until cleared."""
        stage, started = self._stage, time.monotonic()
        stage.reset(case.tree or USUAL)
        stage.plan(case)
        answer, broken = self._offload(case)
        # What a drive is all the time meets every operation, and is counted once.
        struck = stage.struck() + len(case.quirks)
        self._runs += 1
        if self._runs % _CHECKER_EVERY == 1:
            stage.check_the_checker()
        broken += self._judge(case, answer)
        caught = _caught(answer)
        runs, last = 1, answer
        broken += [f"{drive} is not finished" for drive in case.spared if not stage.has_copy(drive)]
        stage.clear(is_quirky=case.is_lasting)
        while not last.is_cleared and runs <= _AGAIN:
            last, more = self._offload(case)
            broken += more + self._judge(case, last)
            runs += 1
        if not last.is_cleared:
            broken.append(f"stuck after the fault was gone: {', '.join(last.codes)}")
        if any(sentence.startswith("a write reached the card") for sentence in broken):
            stage.refill_card()
        return Result(case, struck, answer, caught, tuple(broken), runs, time.monotonic() - started)

    def _offload(self, case: Case) -> tuple[Answer, list[str]]:
        broken: list[str] = []
        try:
            with (
                nothing_left(below=[self._stage.folder], patience_s=3.0),
                self._watched(case, broken),
            ):
                answer = self._subject.offload(self._stage, card_reads=case.card_reads)
        except AssertionError as error:
            return Answer(False, ("left-behind",)), [*broken, str(error)]
        except Exception:  # noqa: BLE001  # whatever escapes is what a user would see
            last = traceback.format_exc().strip().splitlines()
            return Answer(False, ("traceback",)), [*broken, "traceback: " + " | ".join(last[-3:])]
        return answer, broken

    @contextmanager
    def _watched(self, case: Case, broken: list[str]) -> Iterator[None]:
        """Release what is meant to hang after a moment, and end what hangs unasked."""
        done = threading.Event()
        is_hanging = any(fault.effect == "hang" for _, fault in case.faults)

        def watch() -> None:
            started = time.monotonic()
            while not done.wait(_HANG_FOR_S if is_hanging else 1.0):
                if is_hanging:
                    self._stage.release()
                if time.monotonic() - started > _HANGS_AFTER_S:
                    broken.append(f"hangs for more than {_HANGS_AFTER_S:.0f} s")
                    faulthandler.dump_traceback()
                    self._stage.release("EIO")
                    started = time.monotonic()

        watcher = threading.Thread(target=watch, name="lab-watch")
        watcher.start()
        try:
            yield
        finally:
            done.set()
            watcher.join()

    def _judge(self, case: Case, answer: Answer) -> list[str]:
        stage = self._stage
        is_whole = not any(at == CARD and fault.effect == "leave_out" for at, fault in case.faults)
        contents = stage.contents()
        broken = stage.faults_of_drives(contents, is_listing_whole=is_whole or answer.is_cleared)
        if answer.is_cleared:
            broken += self._judge_clearance(contents)
        written = stage.mounts[CARD].written()
        if written:
            broken.append(f"a write reached the card: {written[0].op} {written[0].path}")
        if stage.stored_home.exists():
            broken += [f"ledger: {fault}" for fault in oracle.ledger_faults(stage.stored_home)]
        return broken

    def _judge_clearance(self, contents: Mapping[str, oracle.Content]) -> list[str]:
        stage = self._stage
        if oracle.contents_with_copy(contents.values(), stage.truth) < NEEDED:
            copies = oracle.contents_with_copy(contents.values(), stage.truth, by_content=True)
            if copies < NEEDED:
                return [f"FALSE CLEARANCE: {copies} of {NEEDED} copies are whole"]
            return ["cleared, and a copy's names cannot be told from its record"]
        return [
            f"cleared, and its record does not hold: {fault}" for fault in stage.record_faults()
        ]


def _caught(answer: Answer) -> str:
    return "harmless" if answer.is_cleared else "+".join(answer.codes) or "held"


@dataclass(slots=True)
class Table:
    """What many runs came to; adds up over several invocations.

    Attributes:
        runs: cases run.
        faults: operations that met a fault.
        cases: by place, kind and what caught it.
        false_clearances, broken: how many.
        failures: name of each case with a broken invariant, and which.
        elapsed_s: in all.
    """

    runs: int = 0
    faults: int = 0
    cases: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    false_clearances: int = 0
    broken: int = 0
    failures: list[str] = field(default_factory=list)
    elapsed_s: float = 0.0

    def add(self, result: Result) -> None:
        """Take one result in."""
        self.runs += 1
        self.faults += result.struck
        self.elapsed_s += result.elapsed_s
        caught = result.caught if result.struck else _NOT_MET
        self.cases[(result.case.where, result.case.kind, caught)] += 1
        self.false_clearances += any("FALSE CLEARANCE" in text for text in result.broken)
        self.broken += len(result.broken)
        if result.broken:
            self.failures.append(f"{result.case.name}: {'; '.join(result.broken)}")

    def add_table(self, other: "Table") -> None:
        """Take another table in."""
        self.runs += other.runs
        self.faults += other.faults
        self.cases += other.cases
        self.false_clearances += other.false_clearances
        self.broken += other.broken
        self.failures += other.failures
        self.elapsed_s += other.elapsed_s

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "runs": self.runs,
            "faults": self.faults,
            "cases": [[*key, count] for key, count in sorted(self.cases.items())],
            "false_clearances": self.false_clearances,
            "broken": self.broken,
            "failures": self.failures,
            "elapsed_s": self.elapsed_s,
        }

    @classmethod
    def from_dict(cls, told: dict[str, Any]) -> "Table":
        """From an earlier invocation."""
        cases = Counter({(where, kind, how): n for where, kind, how, n in told["cases"]})
        return cls(
            told["runs"],
            told["faults"],
            cases,
            told["false_clearances"],
            told["broken"],
            list(told["failures"]),
            told["elapsed_s"],
        )

    def lines(self) -> Iterator[str]:
        """The table as it is read: Markdown, one row for each place and kind."""
        yield "| where | fault | runs | caught by |"
        yield "|---|---|---|---|"
        rows: dict[tuple[str, str], Counter[str]] = {}
        for (where, kind, caught), count in self.cases.items():
            rows.setdefault((where, kind), Counter())[caught] += count
        for (where, kind), found in sorted(rows.items()):
            told = ", ".join(f"{how} {count}" for how, count in found.most_common())
            yield f"| {where} | {kind} | {sum(found.values())} | {told} |"
        yield ""
        yield from self._totals()

    def summary(self) -> Iterator[str]:
        """One row a place, the kinds in one line, and the failures: for thousands of runs."""
        yield "| struck | runs that met a fault (none met) | what named the trouble, runs |"
        yield "|---|---|---|"
        rows: dict[str, Counter[str]] = {}
        kinds: Counter[str] = Counter()
        for (where, kind, caught), count in self.cases.items():
            rows.setdefault("several" if "+" in where else where, Counter())[caught] += count
            if caught != _NOT_MET:
                kinds["several kinds" if "+" in kind else kind] += count
        for where, found in sorted(rows.items()):
            missed = found.pop(_NOT_MET, 0)
            most = found.most_common(_NAMED_CAUSES)
            told = [f"{how.replace('+', ' and ')} {count}" for how, count in most]
            others = found.total() - sum(count for _, count in most)
            told += [f"others {others}"] if others else []
            yield f"| {where} | {found.total():,} ({missed}) | {', '.join(told)} |"
        yield ""
        yield "Kinds: " + ", ".join(f"{kind} {count:,}" for kind, count in kinds.most_common())
        yield ""
        yield from self._totals()
        yield from self.failures

    def _totals(self) -> Iterator[str]:
        yield f"runs {self.runs}, operations that met a fault {self.faults}"
        yield f"false clearances {self.false_clearances}, invariants broken {self.broken}"
        each = self.elapsed_s / self.runs if self.runs else 0.0
        yield f"{self.elapsed_s:.0f} s in all, {each * 1000:.0f} ms a run"


def run_all(runner: Runner, cases: Iterable[Case], table: Table) -> Table:
    """Run cases and take their results in."""
    for case in cases:
        table.add(runner.run(case))
    return table


Lab = tuple[Stage, Runner, dict[str, list[Any]]]
"""A stage, its runner, and what a run without a fault does on each place."""
