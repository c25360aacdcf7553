"""A delivery as JSON: one object for each file, and the result as the last line; ASCII alone."""

from typing import Any, TextIO

from offload.clearance.words import phrase, safe
from offload.cli.result_json import line_of
from offload.cli.verify_json import LISTED, file_objects, result_object
from offload.jobs.receive_result import Received, ReceivedRoll
from offload.jobs.receive_sentences import copy_object, first_words, headline
from offload.jobs.verify_sentences import of_finding
from offload.values.paths import to_text


def write_received(found: Received, stream: TextIO) -> None:
    """Every file of the delivery, then the result."""
    for each in file_objects(found.verification):
        stream.write(line_of(each))
    stream.write(line_of(received_object(found)))
    stream.flush()


def received_object(found: Received) -> dict[str, Any]:
    """The last line."""
    record = result_object(found.verification)
    return {
        "type": "result",
        "answer": {"as-recorded": "as-sent", "differs": "not-as-sent"}.get(
            record["answer"], record["answer"]
        ),
        "words": first_words(found),
        "headline": headline(found),
        "exit": found.exit_code,
        "delivery": to_text(found.verification.folder),
        "name": safe(found.name),
        "copies_counted": found.copies,
        "is_copied": found.is_copied,
        "is_noted": found.is_noted,
        "not_appended": phrase(found.not_appended),
        "rolls": [_roll(roll) for roll in found.rolls],
        "record": {key: value for key, value in record.items() if key not in ("type", "exit")},
    }


def _roll(roll: ReceivedRoll) -> dict[str, Any]:
    return {
        "roll": safe(roll.roll),
        "folder": to_text(roll.folder),
        "is_rest": roll.is_rest,
        "is_as_sent": roll.is_as_sent,
        "files": roll.files,
        "bytes": roll.total_bytes,
        "copies_counted": roll.copies,
        "needed": roll.needed,
        "copies": [copy_object(copy) for copy in roll.drives],
        "notices": [
            {"code": each.code, "path": to_text(each.path), "text": of_finding(each)}
            for each in roll.notices[:LISTED]
        ],
    }
