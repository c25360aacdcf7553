"""A verification as JSON: one object for each file, and the result as the last line.

ASCII alone; every path and text is in its shown form. Lists in the result are bounded, the counts
beside them are whole; the lines of the files are all there.
"""

from collections.abc import Iterator, Sequence
from typing import Any, TextIO

from offload.clearance.origin import copy_document
from offload.clearance.words import phrase, safe
from offload.cli.result_json import line_of
from offload.jobs.descent_report import DescentReport
from offload.jobs.verify_result import (
    Coverage,
    FileReport,
    FileState,
    Saying,
    SignatureReport,
    Verification,
)
from offload.jobs.verify_sentences import (
    HEADLINES,
    headline,
    of_clearance,
    of_descent,
    of_finding,
    of_signature,
)
from offload.record.expected import Arrival
from offload.values.entries import Kind
from offload.values.findings import Finding
from offload.values.paths import to_text

LISTED = 1000
"""Entries of one list in the result."""


def write_verification(found: Verification, stream: TextIO) -> None:
    """Every file, then the result."""
    for each in file_objects(found):
        stream.write(line_of(each))
    stream.write(line_of(result_object(found)))
    stream.flush()


def file_objects(found: Verification) -> Iterator[dict[str, Any]]:
    """One object for each file that was looked at or is missing, in the order of their paths."""
    reports = {report.path: report for report in found.reports}
    for number, state in enumerate(found.states):
        if found.entries.kind(number) is not Kind.FILE:
            continue
        path = found.entries.path(number)
        line = {"type": "file", "path": to_text(path), "state": FileState(state).word}
        report = reports.get(path)
        if report is not None:
            line |= _details(report)
        yield line
    for path in found.missing:
        line = {"type": "file", "path": to_text(path), "state": FileState.MISSING.word}
        report = reports.get(path)
        if report is not None:
            line |= _details(report)
        yield line


def result_object(found: Verification) -> dict[str, Any]:
    """The last line."""
    return {
        "type": "result",
        "answer": found.answer.value,
        "words": HEADLINES[found.answer],
        "headline": headline(found),
        "exit": found.answer.exit_code,
        "reasons": list(found.reasons),
        "folder": to_text(found.folder),
        "files": {state.word: found.count(state) for state in FileState},
        "recorded": found.recorded,
        "good": found.good,
        "bytes_read": found.bytes_read,
        "read_back": found.read_back.value,
        "records": [_coverage(each) for each in found.coverage[:LISTED]],
        "signatures": [_signature(each) for each in found.signatures[:LISTED]],
        "expected_signatures": [_signature(each) for each in found.expected_signatures[:LISTED]],
        "clearances": [
            {
                "path": to_text(each.path),
                "state": each.state.value,
                "drives": [phrase(drive) for drive in each.drives],
                "descends_from": {
                    phrase(drive): copy_document(copy) for drive, copy in each.descents
                },
                "text": of_clearance(each),
            }
            for each in found.clearances[:LISTED]
        ],
        "descents": [_descent(each) for each in found.descents[:LISTED]],
        "faults": _findings(found.faults),
        "half_done": _findings(found.half_done),
        "notices": _findings(found.notices),
        "appended": [
            {
                "scope": to_text(each.scope),
                "path": to_text(each.path),
                "generation": each.number,
                "verified": each.verified,
                "failed": each.failed,
                "original": each.original,
            }
            for each in found.appended
        ],
        "not_appended": phrase(found.not_appended),
        "receipts": [
            {
                "scope": to_text(each.scope),
                "generation": each.generation,
                "receipt": each.text,
                "why_not": each.why_not,
            }
            for each in found.receipts
        ],
        "receipt_compared": [
            {
                "scope": to_text(each.scope),
                "generation": each.generation,
                "newest": each.is_newest,
                "outcome": each.match.outcome.value,
                "groups": list(each.match.groups),
            }
            for each in found.comparisons
        ],
        "arrivals": [_arrival(each) for each in found.arrivals[:LISTED]],
        "started": found.started_at.isoformat(),
        "ended": found.ended_at.isoformat(),
    }


def _details(report: FileReport) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if report.recorded_as and report.recorded_as != report.path:
        found["recorded_as"] = to_text(report.recorded_as)
    if report.why:
        found["why"] = phrase(report.why)
    if report.sayings:
        found["said"] = [_saying(each) for each in report.sayings[:LISTED]]
    return found


def _saying(saying: Saying) -> dict[str, Any]:
    return {
        "record": to_text(saying.record),
        "kind": saying.kind.value,
        "generation": saying.generation,
        "line": saying.line,
        "at": saying.said_at.isoformat() if saying.said_at else None,
        "by": safe(saying.by),
        "algorithm": saying.algorithm,
        "recorded": saying.recorded,
        "found": saying.found,
        "agrees": saying.agrees,
    }


def _coverage(coverage: Coverage) -> dict[str, Any]:
    return {
        "kind": coverage.kind.value,
        "path": to_text(coverage.path),
        "scope": to_text(coverage.scope),
        "generations": len(coverage.generations),
        "files": coverage.files,
        "good": coverage.good,
        "differing": coverage.differing,
        "missing": coverage.missing,
        "unread": coverage.unread,
        "level": coverage.level,
    }


def _signature(report: SignatureReport) -> dict[str, Any]:
    return {
        "path": to_text(report.path),
        "about": to_text(report.about),
        "state": report.state.value,
        "signer": safe(report.signer),
        "fingerprint": report.fingerprint,
        "text": of_signature(report),
    }


def _descent(report: DescentReport) -> dict[str, Any]:
    descent = report.descent
    return {
        "path": to_text(report.path),
        "state": report.state.value,
        "copy": descent and copy_document(descent.copy),
        "descends_from": descent and copy_document(descent.source),
        "text": of_descent(report),
    }


def _arrival(arrival: Arrival) -> dict[str, Any]:
    return {
        "manifest": to_text(arrival.manifest),
        "files": arrival.files,
        "there": arrival.there,
        "arrived": arrival.has_arrived,
        "missing": [to_text(path) for path in arrival.missing[:LISTED]],
        "faults": _findings(arrival.faults),
    }


def _findings(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    return [
        {"code": each.code, "path": to_text(each.path), "text": of_finding(each)}
        for each in findings[:LISTED]
    ]
