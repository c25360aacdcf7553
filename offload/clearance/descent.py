"""The statement that one copy was made from another: small, signed, beside the copy that was made.

It is no clearance, since nobody had the card: it says which copy descends from which, so that each
can be followed back, by its manifests, to the one that was made from the card. The form is
described in ``descent.schema.json``; its bytes are canonical as a clearance's are.
"""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from offload.clearance.origin import CopyName, copy_document, descents_text, read_copy_name
from offload.clearance.taken import StatementError, Taken
from offload.values.paths import shown

LIMIT_BYTES = 1 << 20
_FORM = 1


@dataclass(frozen=True, slots=True)
class Descent:
    """One copy, and the one that it was made from; all text is in its shown form.

    Attributes:
        roll: name of the roll, as it is called on the drive.
        copy: what was made, with the manifest that was written when it was.
        source: what it was made from, with the newest manifest that it had then.
        written: when this is written, aware.
        version: of this program.
        key: the line of the public key that has signed.
    """

    roll: str
    copy: CopyName
    source: CopyName
    written: datetime
    version: str
    key: str


def to_bytes(descent: Descent) -> bytes:
    """The canonical bytes, the same for equal statements."""
    document = {
        "copy": copy_document(descent.copy),
        "descent": _FORM,
        "key": descent.key,
        "roll": descent.roll,
        "source": copy_document(descent.source),
        "text": _text(descent),
        "tool": {"name": "offload", "version": descent.version},
        "written": descent.written.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
    }
    text = json.dumps(document, ensure_ascii=False, indent=2, sort_keys=True)
    return text.encode("utf-8") + b"\n"


def from_bytes(data: bytes) -> Descent:
    """What a file says; it comes from outside.

    Raises:
        StatementError: not a descent, not in the canonical form, of another form number, or larger
            than any.
    """
    if len(data) > LIMIT_BYTES:
        raise StatementError("larger than any descent")
    try:
        descent = _descent(json.loads(data.decode("utf-8")))
        again = to_bytes(descent)
    except StatementError:
        raise
    except (ValueError, RecursionError) as error:
        raise StatementError(f"not a descent: {shown(str(error))}") from error
    if again != data:
        raise StatementError("not in the canonical form: written by something else, or changed")
    return descent


def _text(descent: Descent) -> str:
    made = descents_text({descent.copy.drive: descent.source})
    return f"{made} Whether a card may be erased, this does not say: only a clearance does."


def _descent(value: Any) -> Descent:
    top = Taken(value, "descent")
    top.exactly("descent", _FORM)
    tool = top.part("tool")
    tool.exactly("name", "offload")
    top.text("text")
    return tool.ended(
        top.ended(
            Descent(
                top.text("roll"),
                read_copy_name(top.part("copy")),
                read_copy_name(top.part("source")),
                top.moment("written"),
                tool.text("version"),
                top.text("key"),
            )
        )
    )
