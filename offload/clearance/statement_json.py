"""A clearance as bytes and back: one form only, so that equal statements are equal files.

The form: JSON (RFC 8259) in UTF-8 without a byte order mark, keys sorted by code point, two spaces
of indentation, no escape that is not needed, one newline (LF) at the end. Reading is strict: what
does not come out as the very same bytes when written again is no clearance of ours.
"""

import json
from datetime import UTC, datetime
from typing import Any

from offload.clearance.origin import (
    CopyName,
    copy_document,
    manifest_document,
    read_copy_name,
    read_hashes,
    read_manifest_name,
)
from offload.clearance.statement import (
    CardName,
    Contents,
    LeftOut,
    StatedCopy,
    StatedDecision,
    StatedNotice,
    StatedRoll,
    StatedRollCopy,
    Statement,
)
from offload.clearance.taken import StatementError, Taken
from offload.values.facts import Policy, ReadBack
from offload.values.paths import shown

FORM = 1
"""Number of the form; another number is another reader's business."""
FORM_OF_ROLLS = 2
"""Of a card with several rolls: as the first, and ``rolls`` beside it."""
LIMIT_BYTES = 64 << 20
"""No clearance of ours comes near; a larger file is not read at all."""

_FROM_THE_CARD = ""


def to_bytes(statement: Statement) -> bytes:
    """The canonical bytes, the same for equal statements."""
    text = json.dumps(_document(statement), ensure_ascii=False, indent=2, sort_keys=True)
    return text.encode("utf-8") + b"\n"


def from_bytes(data: bytes) -> Statement:
    """The statement that these bytes say.

    Raises:
        StatementError: not a clearance, not in the canonical form, or of another form number. The
            text says where.
    """
    if len(data) > LIMIT_BYTES:
        raise StatementError("larger than any clearance")
    try:
        document = json.loads(data.decode("utf-8"))
        statement = _statement(document)
        again = to_bytes(statement)
    except StatementError:
        raise
    except (ValueError, RecursionError) as error:
        raise StatementError(f"not a clearance: {shown(str(error))}") from error
    if again != data:
        raise StatementError("not in the canonical form: written by something else, or changed")
    return statement


def _document(statement: Statement) -> dict[str, Any]:
    card, policy = statement.card, statement.policy
    rolls = {"rolls": [_roll_document(each) for each in statement.rolls]}
    return {
        **(rolls if statement.rolls else {}),
        "answer": "cleared",
        "card": {
            "boot_id": card.boot_id,
            "capacity_bytes": card.capacity_bytes,
            "file_system": card.file_system,
            "label": card.label,
            "mount_id": card.mount_id,
            "volume_id": card.volume_id,
        },
        "clearance": FORM_OF_ROLLS if statement.rolls else FORM,
        "code": statement.code,
        "content": dict(statement.content),
        "copies": [_copy_document(copy) for copy in statement.copies],
        "copies_counted": statement.copies_counted,
        "decisions": [_decision_document(each) for each in statement.settled],
        "declarations": list(statement.declarations),
        "headline": statement.headline,
        "inventory": {
            "digest": statement.contents.digest,
            "files": statement.contents.files,
            "folders": statement.contents.folders,
            "links": statement.contents.links,
            "total_bytes": statement.contents.total_bytes,
        },
        "key": statement.key,
        "left_out": {
            "count": statement.left_out.count,
            "digest": statement.left_out.digest,
            "files": [
                {"path": path, "size_bytes": size} for path, size in statement.left_out.files
            ],
            "total_bytes": statement.left_out.total_bytes,
        },
        "notices": [
            {"code": each.code, "count": each.count, "paths": list(each.paths), "text": each.text}
            for each in statement.notices
        ],
        "policy": {
            "card_reads": policy.card_reads,
            "copies_needed": policy.copies_needed,
            "declared_separate": sorted(sorted(pair) for pair in policy.declared_separate),
            "separate_drives": policy.separate_drives,
        },
        "production": statement.production,
        "roll": statement.roll,
        "text": statement.text,
        "times": {
            "proven": _time_text(statement.proven),
            "started": _time_text(statement.started),
            "written": _time_text(statement.written),
        },
        "tool": {"name": "offload", "version": statement.version},
    }


def _copy_document(copy: StatedCopy) -> dict[str, Any]:
    source = copy.descends_from
    return {
        "descends_from": copy_document(source) if source else _FROM_THE_CARD,
        "devices": list(copy.devices),
        "drive": copy.drive,
        "hand_made": copy.is_hand_made,
        "manifest": copy.manifest and manifest_document(copy.manifest),
        "names_read": copy.names_read,
        "path": copy.path,
        "read_back": copy.read_back.value,
    }


def _roll_document(each: StatedRoll) -> dict[str, Any]:
    return {
        "beyond": each.beyond,
        "code": each.code,
        "content": dict(each.content),
        "copies": [
            {
                "drive": copy.drive,
                "manifest": manifest_document(copy.manifest),
                "path": copy.path,
            }
            for copy in each.copies
        ],
        "files": each.files,
        "roll": each.roll,
        "total_bytes": each.total_bytes,
    }


def _decision_document(each: StatedDecision) -> dict[str, Any]:
    return {
        "because": each.because,
        "by": each.by,
        "checksum": each.checksum.hex(),
        "code": each.code,
        "path": each.path,
    }


def _time_text(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _statement(value: object) -> Statement:
    form = value.get("clearance") if isinstance(value, dict) else None
    if type(form) is not int or form not in (FORM, FORM_OF_ROLLS):
        raise StatementError(f"not a clearance of form {FORM} or {FORM_OF_ROLLS}")
    top = Taken(value, "clearance")
    top.exactly("answer", "cleared")
    top.exactly("clearance", form)
    times, tool = top.part("times"), top.part("tool")
    tool.exactly("name", "offload")
    statement = Statement(
        text=top.text("text"),
        headline=top.text("headline"),
        declarations=top.texts("declarations"),
        roll=top.text("roll"),
        code=top.text("code"),
        production=top.text("production"),
        card=_card(top.part("card")),
        contents=_contents(top.part("inventory")),
        content=_content(top.part("content")),
        left_out=_left_out(top.part("left_out")),
        policy=_policy(top.part("policy")),
        copies_counted=top.number("copies_counted", least=1),
        copies=top.parts("copies", _copy),
        settled=top.parts("decisions", _decision),
        notices=top.parts("notices", _notice),
        started=times.moment("started"),
        proven=times.moment("proven"),
        written=times.moment("written"),
        version=tool.text("version"),
        key=top.text("key"),
        rolls=_rolls(top) if form == FORM_OF_ROLLS else (),
    )
    for each in (times, tool, top):
        each.end()
    return statement


def _card(card: Taken) -> CardName:
    return card.ended(
        CardName(
            card.text("label"),
            card.text("volume_id"),
            card.text("file_system"),
            card.number_or_null("capacity_bytes"),
            card.text("mount_id"),
            card.text("boot_id"),
        )
    )


def _contents(inventory: Taken) -> Contents:
    return inventory.ended(
        Contents(
            inventory.number("files", least=1),
            inventory.number("folders"),
            inventory.number("links"),
            inventory.number("total_bytes"),
            inventory.hexadecimal("digest", 32).hex(),
        )
    )


def _content(content: Taken) -> tuple[tuple[str, str], ...]:
    if "xxh128" not in content.names:
        raise StatementError("content: xxh128 is missing")
    return read_hashes(content)


def _left_out(left_out: Taken) -> LeftOut:
    return left_out.ended(
        LeftOut(
            left_out.parts(
                "files", lambda each: each.ended((each.text("path"), each.number("size_bytes")))
            ),
            left_out.number("count"),
            left_out.number("total_bytes"),
            left_out.hexadecimal("digest", 32).hex(),
        )
    )


def _policy(policy: Taken) -> Policy:
    pairs = policy.items("declared_separate")
    if not all(
        isinstance(pair, list) and 1 <= len(pair) <= 2 and all(isinstance(x, str) for x in pair)
        for pair in pairs
    ):
        raise StatementError("policy.declared_separate: not pairs of names")
    return policy.ended(
        Policy(
            policy.number("copies_needed", least=1),
            policy.truth("separate_drives"),
            policy.number("card_reads", least=1),
            frozenset(frozenset(pair) for pair in pairs),
        )
    )


def _copy(copy: Taken) -> StatedCopy:
    is_by_hand = copy.truth("hand_made")
    manifest = copy.part_or_null("manifest")
    if manifest is None and not is_by_hand:
        raise StatementError("copies.manifest: only a copy made by hand has none")
    read_back = copy.text("read_back")
    if read_back not in (ReadBack.DEVICE.value, ReadBack.SERVER.value):
        raise StatementError("copies.read_back: neither device nor server")
    return copy.ended(
        StatedCopy(
            copy.text("drive"),
            copy.text("path"),
            copy.texts("devices"),
            read_manifest_name(manifest) if manifest else None,
            ReadBack(read_back),
            copy.truth("names_read"),
            is_by_hand,
            _descends_from(copy),
        )
    )


def _descends_from(copy: Taken) -> CopyName | None:
    source = copy.part_or_text("descends_from", _FROM_THE_CARD)
    return read_copy_name(source) if source else None


def _rolls(top: Taken) -> tuple[StatedRoll, ...]:
    rolls = top.parts("rolls", _roll)
    if not rolls:
        raise StatementError("rolls: none, though the form says that there are")
    return rolls


def _roll(each: Taken) -> StatedRoll:
    return each.ended(
        StatedRoll(
            each.text("roll"),
            each.text("code"),
            read_hashes(each.part("content")),
            each.number("files"),
            each.number("total_bytes"),
            each.number("beyond"),
            each.parts("copies", _roll_copy),
        )
    )


def _roll_copy(copy: Taken) -> StatedRollCopy:
    manifest = read_manifest_name(copy.part("manifest"))
    return copy.ended(StatedRollCopy(copy.text("drive"), copy.text("path"), manifest))


def _decision(each: Taken) -> StatedDecision:
    return each.ended(
        StatedDecision(
            each.text("code"),
            each.text("path"),
            each.hexadecimal("checksum", 16),
            each.text("by"),
            each.text("because"),
        )
    )


def _notice(each: Taken) -> StatedNotice:
    return each.ended(
        StatedNotice(
            each.text("code"), each.text("text"), each.texts("paths"), each.number("count")
        )
    )
