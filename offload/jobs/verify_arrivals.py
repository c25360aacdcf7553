"""What ought to have come: a collection or packing list that was sent apart from the media."""

import os
from collections.abc import Iterator
from contextlib import ExitStack

from offload.errors import OffloadError, RecordError, UsageError, reason
from offload.jobs.verify_folder import SeenFolder
from offload.jobs.verify_result import SignatureReport, SignatureState
from offload.jobs.verify_signatures import Trust, judge_beside
from offload.record.expected import (
    Arrival,
    Seen,
    arrivals,
    collection_notices,
    expected_manifests,
)
from offload.record.mhl.model import Action, HashRecord
from offload.record.mhl.read import ManifestReader
from offload.storage.root import Root
from offload.values.paths import name, parent

Pairs = frozenset[tuple[str, bytes]]


class Expected:
    """A collection or a packing list, held open. A context.

    Attributes:
        pairs: every (format, raw digest) that ought to be met.
        algorithms: their formats.
        notices: what is unusual in it and does not matter.
    """

    def __init__(self, path: bytes) -> None:
        """
        Raises:
            UsageError: there is no such file.
            RecordError: it is no collection and no packing list.
        """
        path = os.path.abspath(path)
        self._name = name(path)
        with ExitStack() as stack:
            try:
                root = stack.enter_context(Root(parent(path) or b"/"))
                self._folder = SeenFolder(root)
                self.pairs: Pairs = frozenset(self._all_pairs())
                self.notices = collection_notices(self._folder, self._name)
            except OSError as error:
                raise _unreadable(path, reason(error)) from error
            except RecordError as error:
                raise _unreadable(path, str(error)) from error
            self._stack = stack.pop_all()
        self.algorithms = frozenset(algorithm for algorithm, _ in self.pairs)

    def close(self) -> None:
        """Let go of it."""
        self._stack.close()

    def arrived(self, seen: Seen) -> tuple[Arrival, ...]:
        """What of it has come, card by card."""
        return tuple(arrivals(self._folder, self._name, seen))

    def signatures(self, trust: Trust) -> tuple[SignatureReport, ...]:
        """Who vouches for it: the signature of what was named, and those of its packing lists.

        A collection names its packing lists by their checksums, so its own signature covers them;
        one of theirs is judged where it is there, and not missed where it is not.
        """
        found = [judge_beside(self._folder, self._name, trust)]
        for manifest, c4 in expected_manifests(self._folder, self._name):
            report = judge_beside(self._folder, manifest, trust) if c4 is not None else None
            if report is not None and report.state is not SignatureState.ABSENT:
                found.append(report)
        return tuple(found)

    def _all_pairs(self) -> Iterator[tuple[str, bytes]]:
        named = expected_manifests(self._folder, self._name)
        is_single = [path for path, c4 in named if c4 is None] == [self._name]
        for manifest, _ in named:
            try:
                yield from self._pairs_in(manifest)
            except (OSError, RecordError):
                # One of several: it is told with what has arrived of it, and hides no other.
                if is_single:
                    raise

    def _pairs_in(self, manifest: bytes) -> Iterator[tuple[str, bytes]]:
        with self._folder.open(manifest) as stream:
            for record in ManifestReader(stream, manifest):
                if isinstance(record, HashRecord):
                    for found in record.hashes:
                        if found.action is not Action.FAILED:
                            yield found.algorithm, found.digest


def _unreadable(path: bytes, why: str) -> OffloadError:
    return UsageError(
        f"what is to be expected cannot be read: {why}",
        path=path,
        meaning="Nothing was read, so nothing is known of what has arrived.",
        remedy="Name a collection (ascmhl_collection.xml) or a packing list (.mhl):  "
        "offload verify FOLDER --expect FILE",
    )
