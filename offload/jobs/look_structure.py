"""Whether clips are whole, by their structure: on the card beside the copying, or on a copy.

The check on the card has a thread and a handle of its own, reads little, stops when the copying
has ended, and never stops or delays it: an error of it is part of its result, and what it has not
come to is checked on a proven copy.
"""

import contextlib
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from offload.errors import reason
from offload.jobs.look_files import HeldFiles, Source, read_small
from offload.media.clip_files import group_files
from offload.media.damage import check
from offload.media.look_request import ENDS_WHOLE
from offload.media.mpegts import OPEN_END
from offload.media.reading import DescriptorReader
from offload.media.structure import EssenceLayout, StructureReport
from offload.storage.root import Root
from offload.values.clips import (
    Clip,
    ClipCode,
    ClipFile,
    ClipFinding,
    ClipKind,
    Complete,
    Weight,
)
from offload.values.entries import Entries
from offload.values.probed import Probed

IsStopped = Callable[[], bool]
ZeroRunsOf = Callable[[int, bytes], Sequence[tuple[int, int]]]
"""Runs of zeros in an entry of the card, (offset, length) in bytes, by its number and path."""

_KEPT_PER_CHECK = 6
_PATIENCE_S = 5.0
"""How long the end of the copying waits for a check that is in the middle of one file."""


class LookStoppedError(Exception):
    """The check was told to stop before it had come to an answer; by the run or the user."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What the structure of one clip's files says.

    Attributes:
        clip: the clip.
        reports: by path, for the files that are looked into afterwards; without layout.
        findings: of all files, a few of each kind.
        complete: the answer for the whole clip.
    """

    clip: Clip
    reports: Mapping[bytes, StructureReport] = field(default_factory=dict)
    findings: tuple[ClipFinding, ...] = ()
    complete: Complete = Complete.UNKNOWN

    @property
    def is_unchecked(self) -> bool:
        """Whether some file of it could not be checked where it was tried."""
        return any(each.code == ClipCode.UNCHECKED for each in self.findings)

    def with_more(self, findings: tuple[ClipFinding, ...]) -> "Checked":
        """The same with findings from elsewhere."""
        if not findings:
            return self
        holds = any(each.weight is Weight.HOLD for each in findings)
        complete = Complete.NO if holds else self.complete
        return replace(self, findings=(*self.findings, *findings), complete=complete)

    def as_far(self) -> "Checked":
        """What could be checked, where the rest cannot be tried again."""
        rest = tuple(each for each in self.findings if each.code != ClipCode.UNCHECKED)
        return self if len(rest) == len(self.findings) else replace(self, findings=rest)


def lift_open_ends(checked: Checked, probed: Probed) -> Checked:
    """Take back the doubt about a transport stream's end where its last picture decoded whole."""
    whole = {each.path for each in probed.findings if each.check == ENDS_WHOLE}
    if not any(each.check == OPEN_END and each.path in whole for each in checked.findings):
        return checked
    findings = tuple(
        replace(each, weight=Weight.NOTE) if each.check == OPEN_END and each.path in whole else each
        for each in checked.findings
    )
    holds = {each.code for each in findings if each.weight is Weight.HOLD}
    return replace(checked, findings=findings, complete=checked.complete if holds else Complete.YES)


def is_certain(finding: ClipFinding) -> bool:
    """Whether what structure found needs no second look before it is told."""
    return finding.check != OPEN_END


def no_zero_runs(_number: int, _path: bytes) -> Sequence[tuple[int, int]]:
    """Nobody has looked for runs of zeros."""
    return ()


def check_clip(
    clip: Clip,
    source: Source,
    is_stopped: IsStopped,
    zero_runs_of: ZeroRunsOf = no_zero_runs,
) -> Checked:
    """Check every file of a clip; whatever is wrong with one of them is a finding.

    Raises:
        LookStoppedError: it was told to stop.
    """
    collected = _Collected(clip)
    collected.add(clip.findings)
    answers: set[Complete] = set()
    reports: dict[bytes, StructureReport] = {}
    numbers = clip.files.entry_numbers
    kept = _kept_places(clip)
    for at, file in enumerate(clip.files):
        goes_on = clip.kind is ClipKind.SPANNED and at < len(numbers) - 1
        number = numbers[at]
        report = _check_file(file, number, source, is_stopped, zero_runs_of, goes_on)
        collected.add(report.findings)
        answers.add(report.complete)
        if kept is None or at in kept:
            reports[file.path] = replace(report, layout=EssenceLayout(), findings=())
    return Checked(clip, reports, collected.result(), _complete(clip, answers))


def _check_file(
    file: ClipFile,
    number: int,
    source: Source,
    is_stopped: IsStopped,
    zero_runs_of: ZeroRunsOf,
    goes_on: bool,
) -> StructureReport:
    if is_stopped():
        raise LookStoppedError
    try:
        descriptor = source.open(file.path)
    except (OSError, ValueError) as error:
        return _not_opened(file, error)
    try:
        zero_runs = zero_runs_of(number, file.path)
        reader = _StoppableReader(descriptor, is_stopped)
        report = check(reader, file.path, zero_runs, continues=goes_on)
        if reader.was_stopped:
            raise LookStoppedError
        return report
    except OSError as error:
        return _not_opened(file, error)
    finally:
        _close(descriptor)


def _close(descriptor: int) -> None:
    # What was read here must not be taken for the card's or drive's answer to a later reading.
    with contextlib.suppress(OSError, AttributeError):
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    with contextlib.suppress(OSError):
        os.close(descriptor)


class _StoppableReader(DescriptorReader):
    """Reads nothing more once the check is to stop, and remembers that it was asked to."""

    def __init__(self, descriptor: int, is_stopped: IsStopped) -> None:
        super().__init__(descriptor)
        self._is_stopped = is_stopped
        self.was_stopped = False

    def read_at(self, offset: int, length: int) -> bytes:
        if self._is_stopped():
            self.was_stopped = True
            raise LookStoppedError
        return super().read_at(offset, length)


def _not_opened(file: ClipFile, error: Exception) -> StructureReport:
    from offload.media.containers import container_of

    why = reason(error) if isinstance(error, OSError) else "it is not in the list of the card"
    text = f"could not be checked: it could not be opened: {why}"
    finding = ClipFinding(ClipCode.UNCHECKED, text, file.path, check="structure")
    return StructureReport(container_of(file.path), findings=(finding,))


def _kept_places(clip: Clip) -> frozenset[int] | None:
    """Files whose reports are needed afterwards; None for all. A sequence may have 100,000."""
    if clip.kind is not ClipKind.FRAMES:
        return None
    count = len(clip.files)
    return frozenset({0, count // 2, count - 1})


def _complete(clip: Clip, answers: set[Complete]) -> Complete:
    holds = {each.code for each in clip.findings if each.weight is Weight.HOLD}
    if Complete.NO in answers or holds - {ClipCode.UNCHECKED}:
        return Complete.NO
    return Complete.YES if answers == {Complete.YES} else Complete.UNKNOWN


class _Collected:
    """Findings of one clip's files: a few of each kind, then only their number."""

    def __init__(self, clip: Clip) -> None:
        self._clip = clip
        self._kept: list[ClipFinding] = []
        self._counts: Counter[tuple[str, str, Weight]] = Counter()

    def add(self, findings: Iterable[ClipFinding]) -> None:
        for each in findings:
            key = (each.code, each.check, each.weight)
            self._counts[key] += 1
            if self._counts[key] <= _KEPT_PER_CHECK or self._clip.kind is not ClipKind.FRAMES:
                self._kept.append(each)

    def result(self) -> tuple[ClipFinding, ...]:
        if self._clip.kind is not ClipKind.FRAMES:
            return tuple(self._kept)
        more = [
            ClipFinding(code, f"and {count - _KEPT_PER_CHECK} more", b"", None, weight, check)
            for (code, check, weight), count in self._counts.items()
            if count > _KEPT_PER_CHECK
        ]
        return (*self._kept, *more)


class CardCheck:
    """The check on the card, in a thread of its own.

    Args:
        root: of the card, held by the run.
        entries: of the card.
        is_clip: whether a file of unknown suffix is a clip.
        tell: takes a clip that was checked, in that thread.

    Attributes:
        clips: of the card; None while they are not told apart.
    """

    def __init__(
        self,
        root: Root,
        entries: Entries,
        is_clip: Callable[[bytes], bool] | None,
        tell: Callable[[Checked], None],
    ) -> None:
        self.clips: tuple[Clip, ...] | None = None
        self._root = root
        self._entries = entries
        self._is_clip = is_clip
        self._tell = tell
        self._checked: dict[int, Checked] = {}
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin; a card that cannot be opened once more is checked on its copies."""
        try:
            files = HeldFiles(self._root)
        except OSError:
            return
        # A daemon: a card that never answers must not keep the program from ending.
        self._thread = threading.Thread(
            target=self._work, args=(files,), name="clips-on-card", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """Nothing is read of the card after this, but what a reader is stuck in."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(_PATIENCE_S)

    def handed_over(self) -> dict[int, Checked]:
        """What has been checked, by number of the clip; nothing of it is kept here."""
        return {number: self._checked.pop(number) for number in tuple(self._checked)}

    def _work(self, files: HeldFiles) -> None:
        try:
            self._check_all(files)
        except LookStoppedError:
            pass
        except Exception:  # noqa: BLE001 - whatever a card provokes is tried again on its copies
            self._stop.set()
        finally:
            with contextlib.suppress(OSError):
                files.close()

    def _check_all(self, files: HeldFiles) -> None:
        clips = group_files(
            self._entries,
            is_clip=self._is_clip,
            read=lambda path, most: read_small(files, path, most),
        )
        if self._stop.is_set():
            return
        self.clips = clips
        for number, clip in enumerate(clips):
            checked = check_clip(clip, files, self._stop.is_set)
            self._checked[number] = checked
            self._tell(checked)
