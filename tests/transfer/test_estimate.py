"""The time that is left, against devices of steady pace whose true time can be worked out."""

import pytest

from offload.transfer import counters
from offload.transfer.counters import Lane, Pass, Progress
from offload.transfer.estimate import time_left

TOTAL = 300 * 10**9
MB = 10**6


class Run:
    """Both passes at steady rates: copying at the slowest, proving each device at its own."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, card: int, drives: dict[str, int], reads: int = 2
    ) -> None:
        self.now_s = 5_000.0
        monkeypatch.setattr(counters.time, "monotonic_ns", lambda: int(self.now_s * 1e9))
        self.rates = {"card": card * MB} | {name: rate * MB for name, rate in drives.items()}
        self.reads = reads
        self.progress = Progress(card_reads=reads)
        for counted in (self.progress.copying, self.progress.proving):
            counted.drives = {name: Lane(name, TOTAL) for name in drives}
            counted.card.total_bytes = TOTAL
        if reads == 1:
            self.progress.proving.card.total_bytes = 0
        self.slowest = min(self.rates.values())
        self.copying_s = TOTAL / self.slowest
        proven = [rate for name, rate in self.rates.items() if reads > 1 or name != "card"]
        self.proving_s = TOTAL / min(proven)

    def copy_to(self, part: float) -> None:
        counted = self.progress.copying
        start = self.now_s
        counted.begin()
        self.now_s = start + part * self.copying_s
        for lane in counted.lanes:
            lane.done_bytes = int(part * TOTAL)
            # What it takes a device less than the slowest, it waits.
            lane.work_s = lane.done_bytes / self.rates[lane.name]
        counted.card.wait_s = part * self.copying_s - counted.card.work_s

    def prove_to(self, part: float) -> None:
        self.progress.copying.end()
        counted: Pass = self.progress.proving
        counted.begin()
        self.now_s += part * self.proving_s
        for lane in counted.lanes:
            if lane.total_bytes:
                done = self.rates[lane.name] * part * self.proving_s
                lane.done_bytes = min(TOTAL, int(done))

    def said_s(self) -> float:
        left = time_left(self.progress)
        assert left is not None
        assert not left.is_range
        return left.seconds


MACHINES = [
    (150, {"shuttle-1": 300, "shuttle-2": 300}),
    (1500, {"shuttle-1": 1000, "shuttle-2": 120}),
    (400, {"shuttle-1": 90, "shuttle-2": 250, "shuttle-3": 100}),
]


@pytest.mark.parametrize(("card", "drives"), MACHINES)
@pytest.mark.parametrize("reads", [1, 2])
@pytest.mark.parametrize("part", [0.1, 0.3, 0.9])
def test_estimate_is_right_within_a_tenth_from_a_tenth_on(
    monkeypatch: pytest.MonkeyPatch, card: int, drives: dict[str, int], reads: int, part: float
) -> None:
    run = Run(monkeypatch, card, drives, reads)
    run.copy_to(part)
    truth = (1 - part) * run.copying_s + run.proving_s
    assert run.said_s() == pytest.approx(truth, rel=0.1)

    run = Run(monkeypatch, card, drives, reads)
    run.copy_to(1.0)
    run.prove_to(part)
    # A fast drive may be through already: the slowest one decides.
    assert run.said_s() == pytest.approx((1 - part) * run.proving_s, rel=0.1)


def test_before_a_tenth_it_is_a_range_that_has_the_truth_in_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = Run(monkeypatch, *MACHINES[0])
    run.copy_to(0.02)
    left = time_left(run.progress)
    assert left is not None
    assert left.is_range
    assert left.soonest_s < 0.98 * run.copying_s + run.proving_s < left.latest_s


def test_nothing_is_said_before_a_byte_has_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(monkeypatch, *MACHINES[0])
    assert time_left(run.progress) is None
    run.progress.copying.begin()
    assert time_left(run.progress) is None


def test_drive_that_was_dropped_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(monkeypatch, *MACHINES[0])
    run.copy_to(0.5)
    run.progress.copying.drives["shuttle-2"].done_bytes = 1
    before = time_left(run.progress)
    run.progress.copying.drives["shuttle-2"].failure = "it is gone"
    after = time_left(run.progress)
    assert before is not None
    assert after is not None
    assert after.seconds < before.seconds / 100


def test_second_round_of_copying_is_what_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow drive is fed after the others were read back: the estimate is of copying again."""
    run = Run(monkeypatch, *MACHINES[0])
    run.copy_to(1.0)
    run.prove_to(1.0)
    run.progress.proving.end()
    before_s = run.progress.copying.elapsed_s
    run.progress.copying.begin()
    run.now_s += 10
    assert run.progress.copying.elapsed_s == pytest.approx(before_s + 10)
    run.progress.copying.drives["shuttle-2"].total_bytes += TOTAL
    left = time_left(run.progress)
    assert left is not None
    assert left.seconds > run.copying_s


def test_while_the_others_are_read_back_the_slow_drive_is_counted_in(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It still has to be fed and read back itself."""
    run = Run(monkeypatch, 1000, {"shuttle-1": 500, "shuttle-2": 50})
    run.copy_to(0.2)
    slow = run.progress.copying.drives["shuttle-2"]
    slow.rest_bytes, slow.total_bytes = slow.total_bytes - slow.done_bytes, slow.done_bytes
    run.progress.copying.end()
    run.progress.proving.card.total_bytes = 0
    del run.progress.proving.drives["shuttle-2"]
    run.progress.proving.begin()
    run.now_s += 300
    run.progress.proving.drives["shuttle-1"].done_bytes = TOTAL // 2
    truth = 300 + 0.8 * TOTAL / (50 * MB) + TOTAL / (50 * MB)
    assert run.said_s() == pytest.approx(truth, rel=0.1)
