"""Plain counters of the two passes: one writer each, sampled by whoever wants to look.

Nothing is pushed and nobody is told; a face reads the numbers as often as it likes. A torn read of
two numbers is a frame of a progress line and no fact: verdicts rest on results.
"""

import time
from dataclasses import dataclass, field


@dataclass(slots=True)
class Lane:
    """One device's part in one pass.

    Attributes:
        name: ``card``, or the drive's name.
        total_bytes: what this pass has to move there.
        done_bytes: what it has moved.
        done_files: files ended.
        wait_s: seconds this lane waited for others, added up.
        work_s: seconds it was at work on what it had, added up.
        last_ns: monotonic time of the last movement, for stalls.
        failure: why it was dropped; empty while well.
        rest_bytes: what a drive that left the others gets by itself afterwards.
    """

    name: str
    total_bytes: int = 0
    done_bytes: int = 0
    done_files: int = 0
    wait_s: float = 0.0
    work_s: float = 0.0
    last_ns: int = 0
    failure: str = ""
    rest_bytes: int = 0

    def moved(self, count: int) -> None:
        """Note bytes moved now."""
        self.done_bytes += count
        self.last_ns = time.monotonic_ns()


@dataclass(slots=True)
class Pass:
    """One pass over all its lanes.

    Attributes:
        step: ``copying`` or ``proving``.
        card: the card's lane; its total is 0 where the card is not read in this pass.
        drives: by name.
        hashing_s: seconds of the slowest checksum's work, added up.
        started_ns: monotonic; 0 before it begins; of the last beginning.
        ended_ns: monotonic; 0 while it runs.
        before_ns: what earlier rounds of it took.
    """

    step: str
    card: Lane = field(default_factory=lambda: Lane("card"))
    drives: dict[str, Lane] = field(default_factory=dict)
    hashing_s: float = 0.0
    started_ns: int = 0
    ended_ns: int = 0
    before_ns: int = 0

    def begin(self) -> None:
        """The first byte is about to move; a pass may have several rounds."""
        if self.ended_ns:
            self.before_ns += self.ended_ns - self.started_ns
        self.started_ns = time.monotonic_ns()
        self.ended_ns = 0

    def end(self) -> None:
        """The last byte has moved."""
        self.ended_ns = time.monotonic_ns()

    @property
    def elapsed_s(self) -> float:
        """Seconds this pass has taken so far."""
        if not self.started_ns:
            return 0.0
        now_ns = self.ended_ns or time.monotonic_ns()
        return (self.before_ns + now_ns - self.started_ns) / 1e9

    @property
    def lanes(self) -> tuple[Lane, ...]:
        """The card's lane and every drive's."""
        return (self.card, *self.drives.values())


@dataclass(slots=True)
class Progress:
    """Both passes of one run, and which of them is under way.

    Attributes:
        copying, proving: their counters.
        step: of the run.
        code: the card's; empty until it has been read once.
        card_reads: readings of the card asked for.
        offload: the run's number in the ledger; 0 before it has one.
    """

    copying: Pass = field(default_factory=lambda: Pass("copying"))
    proving: Pass = field(default_factory=lambda: Pass("proving"))
    step: str = ""
    code: str = ""
    card_reads: int = 2
    offload: int = 0

    def begin_anew(self) -> None:
        """Another run begins under the same eyes."""
        self.copying, self.proving = Pass("copying"), Pass("proving")
