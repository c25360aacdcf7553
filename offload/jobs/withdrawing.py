"""Earlier clearances of a card that is held now are withdrawn on the drives that are here.

A receiver has the drive and not our ledger: a clearance that lies there unchanged would be believed
after the card had been held. Nothing on a drive is taken away or replaced; a signed statement is
put beside it. A drive that is away, or that will not take it, keeps what it has: a clearance is in
force only together with those on the other drives, and one of them says that it is not.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from offload.checksum import digest_text
from offload.clearance.statement_json import LIMIT_BYTES
from offload.clearance.withdrawal import Withdrawal, to_bytes
from offload.errors import reason
from offload.jobs.clearing import STEM, SUFFIX, withdrawal_of
from offload.jobs.placing import Place
from offload.jobs.recording import SIGNATURE
from offload.record.keys import SigningKey
from offload.record.sshsig import sign
from offload.storage.durable import write_new
from offload.values.findings import Finding
from offload.values.paths import join, name


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
        A notice for each clearance that could not be withdrawn.
    """
    refused: list[Finding] = []

    def refuse(place: Place, path: bytes, error: OSError) -> None:
        text = f"an earlier clearance could not be withdrawn there: {reason(error)}"
        refused.append(Finding("not-withdrawn", text, path, place.name))

    for place in places:
        try:
            names = _names_there(place)
        except OSError as error:
            refuse(place, place.records, error)
            continue
        for each in sorted(names):
            if each.startswith(STEM) and each.endswith(SUFFIX):
                # One that cannot be read must not keep the next one in force.
                path = join(place.records, each)
                try:
                    _withdraw(place, path, names, Withdrawal("", at, because), key)
                except OSError as error:
                    refuse(place, path, error)
    return refused


def _names_there(place: Place) -> set[bytes]:
    root = place.drive.root
    return set(root.names(place.records)) if root.exists(place.records) else set()


def _withdraw(
    place: Place, clearance: bytes, names: set[bytes], withdrawal: Withdrawal, key: SigningKey
) -> None:
    root = place.drive.root
    path = withdrawal_of(clearance)
    if name(path) in names and name(path) + SIGNATURE in names:
        return
    if name(path) not in names:
        statement = root.read_small(clearance, LIMIT_BYTES)
        c4 = digest_text("c4", hashlib.sha512(statement).digest())
        content = to_bytes(replace(withdrawal, clearance=c4))
        # Before its signature: one without it still keeps the card.
        write_new(root, path, content)
    else:
        content = root.read_small(path, LIMIT_BYTES)
    write_new(root, path + SIGNATURE, sign(key, content))
