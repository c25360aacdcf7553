"""What came of mending a copy: plain values."""

from dataclasses import dataclass
from enum import Enum

from offload.jobs.verify_result import Answer, Verification
from offload.values.findings import Finding


class MendAnswer(Enum):
    """The first words."""

    MENDED = "mended"
    NOTHING_TO_MEND = "nothing-to-mend"
    PARTLY = "partly-mended"
    """What could be put back was; something is still not as recorded."""
    REFUSED = "refused"
    """Nothing was touched."""


@dataclass(frozen=True, slots=True)
class Mended:
    """One file that was put back.

    Attributes:
        path: below the base of the copy.
        kept_aside: where the damaged file lies now; empty where there was none.
        source: the good file, absolute.
    """

    path: bytes
    kept_aside: bytes
    source: bytes


@dataclass(frozen=True, slots=True)
class GoodIn:
    """One file, and which of the two copies are good.

    Attributes:
        path: as recorded, below the base of the copy that records it.
        in_copy: the copy that was to be mended has it as recorded.
        in_other: the other one has it.
    """

    path: bytes
    in_copy: bool
    in_other: bool


@dataclass(frozen=True, slots=True)
class Mending:
    """All that came of it.

    Attributes:
        answer: see there.
        why_not: why it was refused; a sentence, escaped.
        before, other: what was found first, in the copy and in the other one.
        after: of the copy, when anything was put back.
        mended: files that were put back, by path.
        failed: files that could not be, each with the reason.
        good_in: of every file that is not good in both, where it is.
    """

    answer: MendAnswer
    before: Verification
    other: Verification
    after: Verification | None = None
    why_not: str = ""
    mended: tuple[Mended, ...] = ()
    failed: tuple[Finding, ...] = ()
    good_in: tuple[GoodIn, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 only when the copy is as recorded now."""
        last = self.after or self.before
        return 0 if last.answer is Answer.AS_RECORDED and not self.failed else 1
