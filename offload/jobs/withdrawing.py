"""Earlier clearances of a card that is held now are withdrawn on the drives that are here.

A receiver has the drive and not our ledger: a clearance that lies there unchanged would be believed
after the card had been held. Nothing on a drive is taken away or replaced; a signed statement is
put beside it. A drive that is away, or that will not take it, keeps what it has: a clearance is in
force only together with those on the other drives, and one of them says that it is not.
"""

import hashlib
from collections.abc import Iterable
from datetime import datetime

from offload.checksum import digest_text
from offload.clearance.statement_json import LIMIT_BYTES
from offload.clearance.withdrawal import Withdrawal, to_bytes
from offload.errors import reason
from offload.jobs.clearing import STEM, SUFFIX
from offload.jobs.placing import Place
from offload.jobs.recording import SIGNATURE
from offload.record.keys import SigningKey
from offload.record.sshsig import sign
from offload.storage.durable import write_new
from offload.values.findings import Finding
from offload.values.paths import join, name, parent

WITHDRAWN = b"withdrawn-"


def withdrawal_of(clearance: bytes) -> bytes:
    """Where the withdrawal of ``clearance-NNNN.json`` lies, if there is one."""
    return join(parent(clearance), WITHDRAWN + name(clearance)[len(STEM) :])


def withdraw_earlier(
    places: Iterable[Place], because: tuple[str, ...], at: datetime, key: SigningKey
) -> list[Finding]:
    """Withdraw every clearance of this roll that is not withdrawn yet.

    Args:
        places: drives that are here.
        because: codes of the holds.
        at: now, with zone.
        key: signs.

    Returns:
        A notice for each drive that would not take it.
    """
    refused: list[Finding] = []
    for place in places:
        try:
            _withdraw_on(place, because, at, key)
        except OSError as error:
            text = f"an earlier clearance could not be withdrawn there: {reason(error)}"
            refused.append(Finding("not-withdrawn", text, place.records, place.name))
    return refused


def _withdraw_on(place: Place, because: tuple[str, ...], at: datetime, key: SigningKey) -> None:
    root = place.drive.root
    if not root.exists(place.records):
        return
    names = set(root.names(place.records))
    for each in sorted(names):
        if not (each.startswith(STEM) and each.endswith(SUFFIX)):
            continue
        path = withdrawal_of(join(place.records, each))
        if name(path) in names and name(path) + SIGNATURE in names:
            continue
        if name(path) not in names:
            statement = root.read_small(join(place.records, each), LIMIT_BYTES)
            c4 = digest_text("c4", hashlib.sha512(statement).digest())
            content = to_bytes(Withdrawal(c4, at, because))
            # Before its signature: one without it still keeps the card.
            write_new(root, path, content)
        else:
            content = root.read_small(path, LIMIT_BYTES)
        write_new(root, path + SIGNATURE, sign(key, content))
