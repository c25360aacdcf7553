"""A verification of some files, for people and as JSON: never in the words of a whole copy."""

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TextIO

from offload.clearance.words import counted
from offload.cli.result_json import line_of
from offload.cli.styled_lines import Line, show_lines
from offload.cli.verify_json import file_objects, result_object
from offload.cli.verify_screen import INDENT, Pen, pen_for
from offload.cli.verify_view import each_reason, found_lines
from offload.jobs.verify_part import PartAnswer, PartVerification, PartWish, verify_part
from offload.jobs.verify_place import roll_of
from offload.jobs.verify_result import FileState
from offload.jobs.verify_sentences import Advice, of_files, read_from
from offload.values.paths import name, to_text

if TYPE_CHECKING:
    from offload.cli.run_view import RunView
    from offload.jobs.verifying import VerifyTools

WORDS = {
    PartAnswer.AS_RECORDED: "THE CHOSEN FILES ARE AS RECORDED",
    PartAnswer.DIFFERS: "NOT AS RECORDED",
    PartAnswer.ADDED: "THE CHOSEN FILES ARE NOW RECORDED",
    PartAnswer.NOTHING_VERIFIED: "NOTHING COULD BE VERIFIED",
}

_UNREAD = frozenset({FileState.NOT_READ, FileState.NOT_RECORDED, FileState.LEFT_OUT})


def run_part(
    wish: PartWish,
    tools: "VerifyTools",
    view: "RunView",
    stop: Callable[[], None],
    *,
    as_json: bool,
) -> int:
    """Verify and show; gives the exit code.

    Raises:
        OffloadError: as :func:`verify_part`.
    """
    part = view.watch(stop, lambda: verify_part(wish, tools))
    if as_json:
        write_part(part, sys.stdout)
    else:
        show_lines(part_lines(part, pen_for(sys.stdout)), sys.stdout)
    return part.answer.exit_code


def part_lines(part: PartVerification, pen: Pen) -> list[Line]:
    """The whole screen."""
    found = part.found
    title = to_text(roll_of(name(found.folder)) or found.folder)
    when = found.ended_at.astimezone().strftime("%a %d %b %Y, %H:%M:%S")
    style = "bold red" if part.answer.exit_code else "bold"
    lines = pen.head(f"{title}  {WORDS[part.answer]}", when, style)
    lines += pen.text(headline(part))

    def advise(state: FileState, count: int) -> Advice:
        return of_files(state, count, found.folder, is_written_down=bool(found.appended))

    for number, (text, body) in enumerate(each_reason(found, pen, advise), 1):
        lines += pen.text(text, f"{number:>3} ", INDENT, "bold")
        lines += body
    return lines + found_lines(found, pen)


def headline(part: PartVerification) -> str:
    """The sentence below the first words: how many, and that nothing is said of the others."""
    found = part.found
    if not found.recorded:
        return "No record spoke of the chosen files before."
    good = f"{found.good:,} of {counted(found.recorded, 'chosen file')}"
    were = "was" if found.recorded == 1 else "were"
    said = f"{good} {were} {read_from(found.read_back)} and as recorded"
    if not part.others:
        return f"{said}."
    is_not = "is" if part.others == 1 else "are"
    others = counted(part.others, "other recorded file")
    return f"{said}. {others} {is_not} not read: nothing is said of the copy as a whole."


def write_part(part: PartVerification, stream: TextIO) -> None:
    """Every file that was read or is missing, then the result."""
    unread = {state.word for state in _UNREAD}
    for each in file_objects(part.found):
        if each["state"] not in unread:
            stream.write(line_of(each))
    stream.write(line_of(_result(part)))
    stream.flush()


def _result(part: PartVerification) -> dict[str, Any]:
    return result_object(part.found) | {
        "answer": part.answer.value,
        "words": WORDS[part.answer],
        "headline": headline(part),
        "exit": part.answer.exit_code,
        "others": part.others,
    }
