"""A comparison by names alone: for people and as JSON lines; nothing of it is ever green."""

import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, TextIO

from offload.clearance.words import counted, phrase
from offload.cli.result_json import line_of
from offload.cli.styled_lines import Line, show_lines
from offload.cli.verify_screen import Pen, pen_for
from offload.cli.verify_view import FILES_SHOWN, ROWS_SHOWN
from offload.jobs.verify_names import NameComparison, compare_names
from offload.jobs.verify_place import roll_of
from offload.jobs.verify_result import FileState
from offload.jobs.verify_sentences import of_files, of_finding, of_signature
from offload.values.entries import Kind
from offload.values.findings import Finding
from offload.values.paths import name, to_text

if TYPE_CHECKING:
    from offload.cli.run_view import RunView
    from offload.jobs.verifying import VerifyTools

ANSWER = "names-only"
WORDS = "NAMES COMPARED, NOTHING READ"

_LISTED = 1000
_STYLES = {0: "bold", 1: "bold red", 3: "bold red"}


def run_names_only(
    folder: bytes, tools: "VerifyTools", view: "RunView", stop: Callable[[], None], *, as_json: bool
) -> int:
    """Compare and show; gives the exit code.

    Raises:
        OffloadError: as :func:`compare_names`.
    """
    found = view.watch(stop, lambda: compare_names(folder, tools))
    if as_json:
        write_names(found, sys.stdout)
    else:
        show_lines(names_lines(found, pen_for(sys.stdout)), sys.stdout)
    return found.exit_code


def names_lines(found: NameComparison, pen: Pen) -> list[Line]:
    """The whole screen."""
    title = to_text(roll_of(name(found.folder)) or found.folder)
    when = found.at.astimezone().strftime("%a %d %b %Y, %H:%M:%S")
    lines = pen.head(f"{title}  {WORDS}", when, _STYLES[found.exit_code])
    lines += pen.text(headline(found))
    for number, (text, body) in enumerate(_reasons(found, pen), 1):
        lines += pen.text(text, f"{number:>3} ", " " * 6, "bold")
        lines += body
    for label, note in _notes(found):
        lines += pen.row(label, note)
    if found.recorded:
        lines += pen.act("to know what is in the files", (b"verify", found.folder))
    return lines


def headline(found: NameComparison) -> str:
    """The sentence below the first words: never more than that names are there."""
    if not found.recorded:
        return "Nothing is recorded here, so nothing says which files there should be."
    files = counted(found.recorded, "recorded file")
    return (
        f"{found.there:,} of {files} {'is' if found.recorded == 1 else 'are'} there by name. "
        "No file was read, so this says nothing of what is in them."
    )


def write_names(found: NameComparison, stream: TextIO) -> None:
    """Every file, then the result; states are those of a verification."""
    for number, state in enumerate(found.states):
        if found.entries.kind(number) is Kind.FILE:
            path = found.entries.path(number)
            line = {"type": "file", "path": to_text(path), "state": FileState(state).word}
            if number in found.recorded_as:
                line["recorded_as"] = to_text(found.recorded_as[number])
            stream.write(line_of(line))
    for path, instead in found.missing.items():
        line = {"type": "file", "path": to_text(path), "state": FileState.MISSING.word}
        stream.write(line_of(line | ({"why": phrase(instead)} if instead else {})))
    stream.write(line_of(_result(found)))
    stream.flush()


def _result(found: NameComparison) -> dict[str, Any]:
    unknown = found.unknown
    return {
        "type": "result",
        "answer": ANSWER,
        "words": WORDS,
        "headline": headline(found),
        "exit": found.exit_code,
        "reasons": list(found.reasons),
        "folder": to_text(found.folder),
        "recorded": found.recorded,
        "there": found.there,
        "missing": len(found.missing),
        "unknown": len(unknown),
        "records": found.records,
        "bytes_read": 0,
        "signatures": [
            {"about": to_text(each.about), "state": each.state.value, "text": of_signature(each)}
            for each in found.signatures[:_LISTED]
        ],
        "faults": _findings(found.faults),
        "half_done": _findings(found.half_done),
        "notices": _findings(found.notices),
    }


def _reasons(found: NameComparison, pen: Pen) -> Iterator[tuple[str, list[Line]]]:
    for report in found.signatures[:ROWS_SHOWN]:
        yield f"signature-{report.state.value}: {of_signature(report)}.", []
    yield from _told(found.faults)
    if found.missing:
        advice = of_files(FileState.MISSING, len(found.missing), found.folder)
        body: list[Line] = []
        for path, instead in list(found.missing.items())[:FILES_SHOWN]:
            body += pen.text(f"{to_text(path)}{f': {instead}' if instead else ''}")
        if len(found.missing) > FILES_SHOWN:
            body += pen.text(f"and {len(found.missing) - FILES_SHOWN:,} more: see --json")
        body += pen.act("files that only have another name are told when they are read", ())
        yield f"{FileState.MISSING.word}: {advice.text}", body
    yield from _told(found.half_done)


def _told(findings: Sequence[Finding]) -> Iterator[tuple[str, list[Line]]]:
    for each in findings[:ROWS_SHOWN]:
        yield f"{each.code}: {of_finding(each)}.", []
    if len(findings) > ROWS_SHOWN:
        yield f"{len(findings) - ROWS_SHOWN:,} more of this kind: see --json.", []


def _notes(found: NameComparison) -> Iterator[tuple[str, str]]:
    unknown = found.unknown
    if unknown:
        names = ", ".join(to_text(path) for path in unknown[:FILES_SHOWN])
        rest = len(unknown) - FILES_SHOWN
        more = f", and {rest:,} more: see --json" if rest > 0 else ""
        yield "note", f"{counted(len(unknown), 'file')} recorded by nobody: {names}{more}"
    for number, recorded in list(found.recorded_as.items())[:FILES_SHOWN]:
        path = to_text(found.entries.path(number))
        yield "note", f"name shown differently: {path} for {to_text(recorded)}"
    for notice in found.notices[:FILES_SHOWN]:
        yield "note", of_finding(notice)


def _findings(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    return [
        {"code": each.code, "path": to_text(each.path), "text": of_finding(each)}
        for each in findings[:_LISTED]
    ]
