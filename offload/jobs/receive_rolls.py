"""Which rolls of a delivery came as they were sent, where not all of it did."""

from offload.jobs.receive_parts import Part
from offload.jobs.verify_result import GOOD, QUIET, TOLERATED, FileState
from offload.jobs.verifying import Verifying

_FINE = GOOD | QUIET


class RollJudge:
    """Judges single rolls by what was found of the whole delivery.

    Args:
        verifying: read and settled.
    """

    def __init__(self, verifying: Verifying) -> None:
        self._states = verifying.checked.states
        self._missing = tuple(verifying.checked.missing)
        custody = verifying.records.claims.custody
        self._wrong = tuple(
            [report.about for report in verifying.signatures if report.state not in TOLERATED]
            + [fault.path for fault in (*custody.faults, *verifying.faults)]
        )

    def is_as_sent(self, part: Part) -> bool:
        """Whether something says what the roll should be, and all of it is so."""
        states = {FileState(self._states[number]) for number in part.numbers}
        paths = (*self._missing, *self._wrong)
        return bool(states & GOOD) and states <= _FINE and not any(map(part.holds, paths))
