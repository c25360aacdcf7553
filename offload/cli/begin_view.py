"""A history that begins, for people and as JSON: never in the words of a verified copy."""

import sys
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TextIO

from offload.clearance.words import counted
from offload.cli.result_json import line_of
from offload.cli.styled_lines import Line, show_lines
from offload.cli.verify_json import file_objects, result_object
from offload.cli.verify_screen import INDENT, Pen, pen_for
from offload.cli.verify_view import each_reason, found_lines
from offload.jobs.verify_beginning import BeginAnswer, Beginning, BeginWish, begin_history
from offload.jobs.verify_place import roll_of
from offload.jobs.verify_result import FileState
from offload.jobs.verify_sentences import Advice, of_files, read_from
from offload.values.paths import name, shown, to_text

if TYPE_CHECKING:
    from offload.cli.run_view import RunView
    from offload.jobs.verifying import VerifyTools

WORDS = {
    BeginAnswer.BEGUN: "A HISTORY IS BEGUN",
    BeginAnswer.WITH_FAULTS: "A HISTORY IS BEGUN, NOT ALL IN ORDER",
    BeginAnswer.NOT_BEGUN: "NO HISTORY WAS BEGUN",
}

NOW_RECORDED = "now-recorded"
"""A file of which nobody had said anything before."""


def run_begin(
    wish: BeginWish,
    tools: "VerifyTools",
    view: "RunView",
    stop: Callable[[], None],
    *,
    as_json: bool,
) -> int:
    """Begin a history and show what came of it; gives the exit code.

    Raises:
        OffloadError: as :func:`begin_history`.
    """
    begun = view.watch(stop, lambda: begin_history(wish, tools))
    if as_json:
        write_beginning(begun, sys.stdout)
    else:
        show_lines(beginning_lines(begun, pen_for(sys.stdout)), sys.stdout)
    return begun.answer.exit_code


def beginning_lines(begun: Beginning, pen: Pen) -> list[Line]:
    """The whole screen."""
    found = begun.found
    title = to_text(roll_of(name(found.folder)) or found.folder)
    when = found.ended_at.astimezone().strftime("%a %d %b %Y, %H:%M:%S")
    style = "bold red" if begun.answer.exit_code else "bold"
    lines = pen.head(f"{title}  {WORDS[begun.answer]}", when, style)
    lines += pen.text(headline(begun))

    def advise(state: FileState, count: int) -> Advice:
        return _advice(begun, state, count)

    for number, (text, body) in enumerate(each_reason(found, pen, advise), 1):
        lines += pen.text(text, f"{number:>3} ", INDENT, "bold")
        lines += body
    if begun.answer is not BeginAnswer.NOT_BEGUN:
        # What was recorded by nobody is now.
        found = replace(found, counts={**found.counts, FileState.NOT_RECORDED: 0})
    lines += found_lines(found, pen)
    left_out = found.count(FileState.LEFT_OUT)
    if left_out:
        text = f"{counted(left_out, 'file')} that computers leave behind: not written down"
        lines += pen.row("note", text)
    if begun.answer is not BeginAnswer.NOT_BEGUN:
        lines += pen.row("signed", _signed(begun))
    return lines


def headline(begun: Beginning) -> str:
    """The sentences below the first words: what was written down, and what that does not prove."""
    found = begun.found
    if begun.answer is BeginAnswer.NOT_BEGUN:
        return "Nothing was written down of the files in this folder."
    was = "was" if begun.written == 1 else "were"
    what = "as it is" if begun.written == 1 else "as they are"
    text = f"{counted(begun.written, 'file')} {was} {read_from(found.read_back)} and written down "
    text += f"{what} now. This proves nothing of what was there before."
    if not begun.written:
        text = "No file was written down outside the histories below this folder."
    if found.recorded:
        agree = "agrees" if found.good == 1 else "agree"
        of = counted(found.recorded, "file")
        text += f" Of {of} that other records speak of, {found.good:,} {agree} with them."
    return text


def write_beginning(begun: Beginning, stream: TextIO) -> None:
    """Every file, then the result."""
    left = {to_text(path) for path in begun.left}
    is_begun = begun.answer is not BeginAnswer.NOT_BEGUN
    for each in file_objects(begun.found):
        is_new = each["state"] == FileState.NOT_RECORDED.word and each["path"] not in left
        stream.write(line_of(each | {"state": NOW_RECORDED} if is_begun and is_new else each))
    stream.write(line_of(_result(begun)))
    stream.flush()


def _result(begun: Beginning) -> dict[str, Any]:
    made = result_object(begun.found)
    if begun.answer is not BeginAnswer.NOT_BEGUN:
        new = made["files"][FileState.NOT_RECORDED.word]
        made["files"] |= {
            FileState.NOT_RECORDED.word: len(begun.left),
            NOW_RECORDED: max(0, new - len(begun.left)),
        }
    return made | {
        "answer": begun.answer.value,
        "words": WORDS[begun.answer],
        "headline": headline(begun),
        "exit": begun.answer.exit_code,
        "scope": to_text(begun.scope),
        "written": begun.written,
        "signer": shown(begun.identity),
    }


def _signed(begun: Beginning) -> str:
    if begun.identity:
        return f"by {shown(begun.identity)}; the signatures lie in records beside the folder"
    return "by nobody: at the top of a drive there is no place beside the history for a signature"


def _advice(begun: Beginning, state: FileState, count: int) -> Advice:
    """As of any verification, but the same command cannot be given twice."""
    folder = begun.found.folder
    advice = of_files(state, count, folder, is_written_down=True)
    if state is FileState.CACHED:
        remedy = "unplug the drive, plug it in again, then"
        return Advice(advice.text, remedy, (b"verify", folder, b"--begin"))
    is_again = begun.answer is not BeginAnswer.NOT_BEGUN
    if state in (FileState.CHANGED, FileState.UNREADABLE):
        text = advice.text.removesuffix(".") + "; not written down."
        command = (b"verify", folder, b"--append") if is_again else (b"verify", folder, b"--begin")
        if state is FileState.CHANGED:
            return Advice(text, "close whatever writes there, then add it", command)
        return Advice(text, "other cable, other port, then add it", command)
    return advice
