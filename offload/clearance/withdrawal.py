"""The statement that a clearance no longer holds: small, signed, beside the clearance it is about.

Only a drive that is there when a card is held gets it; the ledger of the station knows in any case.
"""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from offload.clearance.taken import StatementError
from offload.values.paths import shown

LIMIT_BYTES = 1 << 16
_FORM = "offload withdrawal 1"


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """One withdrawal.

    Attributes:
        clearance: C4 ID of the clearance's bytes.
        at: since when it no longer holds, with zone.
        because: codes of the holds that kept the card then.
    """

    clearance: str
    at: datetime
    because: tuple[str, ...]


def to_bytes(withdrawal: Withdrawal) -> bytes:
    """The file's content, ASCII."""
    document = {
        "form": _FORM,
        "clearance": withdrawal.clearance,
        "withdrawn_at": withdrawal.at.isoformat(timespec="seconds"),
        "because": list(withdrawal.because),
        "text": "The clearance named here is in force no longer: a later run held the card. "
        "Whether the card may be erased, only a newer clearance says.",
    }
    return json.dumps(document, indent=2, sort_keys=True).encode("ascii") + b"\n"


def from_bytes(data: bytes) -> Withdrawal:
    """What a file says; it comes from outside.

    Raises:
        StatementError: not a withdrawal, of another form, or larger than any.
    """
    if len(data) > LIMIT_BYTES:
        raise StatementError("larger than any withdrawal")
    try:
        found: Any = json.loads(data)
        if not isinstance(found, dict) or found.get("form") != _FORM:
            raise StatementError("not a withdrawal")
        because = found["because"]
        if not isinstance(because, list):
            raise StatementError("not a withdrawal")
        at = datetime.fromisoformat(found["withdrawn_at"])
        return Withdrawal(str(found["clearance"]), at, tuple(str(each) for each in because))
    except StatementError:
        raise
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise StatementError(f"not a withdrawal: {shown(str(error))}") from error
