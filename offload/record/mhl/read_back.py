"""Seeing that generations are on the drive as they were written."""

from collections.abc import Iterable

from offload.errors import RecordError
from offload.record.folder import Folder
from offload.record.mhl.custody import Custody, load_custody
from offload.record.mhl.generation import Added


def read_back(folder: Folder, custody: Custody, added: Iterable[Added]) -> None:
    """Load every history anew from the drive; a generation that is not there was not written.

    Args:
        folder: reads from the device.
        custody: as it was before.
        added: what was written since, of all its histories.

    Raises:
        RecordError: something does not read back the same.
    """
    added = list(added)
    again = load_custody(folder, custody.top, {*custody.histories, *(each.scope for each in added)})
    for each in added:
        history = again.histories.get(each.scope)
        entries = history.chain.entries if history is not None else ()
        if history is None or history.faults or entries != each.chain.entries:
            raise RecordError(
                "what was written does not read back the same",
                path=each.path,
                meaning="The drive is failing. The footage was read before and is as told.",
                remedy="Copy the roll to another drive, and verify it there.",
            )
