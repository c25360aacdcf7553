"""Which files in which folders are copies of which files of a card, by what was read of both.

A copy counts only as a file of its own: for n equal files on the card there must be n on a drive.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping

from offload.jobs.look_by_content import Copy
from offload.jobs.own_files import OwnFiles
from offload.jobs.searching import Place
from offload.ledger.copies import is_proven
from offload.transfer.readings import Outcome, ReadingResult
from offload.values.entries import Entries, Kind
from offload.values.facts import CopyState, ReadBack
from offload.values.findings import Finding
from offload.values.paths import name, to_text

_STATES = {ReadBack.DEVICE: CopyState.PROVEN_DEVICE, ReadBack.SERVER: CopyState.PROVEN_SERVER}
_BEST_LAST = (
    CopyState.UNREADABLE,
    CopyState.SHARED,
    CopyState.FLEETING,
    CopyState.CHANGED,
    CopyState.CACHED,
    CopyState.PROVEN_SERVER,
    CopyState.PROVEN_DEVICE,
)


class Matching:
    """One matching of a card with all folders, as everything stands at that moment.

    Args:
        entries: of the card.
        digests: of its files, by number; of those that were read.

    Attributes:
        copies: by number, where a proven copy lies.
        alike: files that have a name of the card's and other content.
    """

    def __init__(
        self, entries: Entries | None = None, digests: Mapping[int, bytes] | None = None
    ) -> None:
        self._entries = Entries() if entries is None else entries
        self._digests = digests or {}
        self._wanted = set(self._digests.values())
        self._own = OwnFiles()
        self.copies: dict[int, Copy] = {}
        self.alike: list[Finding] = []

    def states_of(self, place: Place, result: ReadingResult | None) -> bytearray:
        """A :class:`CopyState` for each entry of the card; by size alone where nothing was read."""
        states = bytearray(len(self._entries))
        if result is not None:
            self._match(place, result, states)
        else:
            self._match_sizes(place, states)
        self._settle_empty(states)
        return states

    def _match_sizes(self, place: Place, states: bytearray) -> None:
        """Nothing was read: a file of the size may be it, and where there is none it is not."""
        left = Counter(place.sizes)
        for number, entry in enumerate(self._entries):
            if entry.kind is Kind.FILE and left[entry.size_bytes]:
                left[entry.size_bytes] -= 1
                states[number] = CopyState.WRITTEN

    def _settle_empty(self, states: bytearray) -> None:
        """A file or folder with nothing in it loses nothing when it is erased."""
        for number, entry in enumerate(self._entries):
            is_empty_file = entry.kind is Kind.FILE and not entry.size_bytes
            if is_empty_file or entry.kind is Kind.FOLDER:
                states[number] = CopyState.PROVEN_DEVICE

    def _match(self, place: Place, result: ReadingResult, states: bytearray) -> None:
        """Give each file of the card a file of its own in this place."""
        copies = self._by_content(place, result)
        names: dict[bytes, list[bytes]] = defaultdict(list)
        for path in place.paths:
            names[name(path)].append(path)
        for number, entry in enumerate(self._entries):
            if entry.kind is not Kind.FILE or not entry.size_bytes:
                continue
            found = copies.get(self._digests.get(number, b""))
            if found:
                states[number], path = found.pop()
                if is_proven(states[number]):
                    self.copies.setdefault(number, (place.drive.root, path))
            elif name(entry.path) in names and number in self._digests:
                text = f"a file of this name on {to_text(place.drive.root.path)} is another one"
                self.alike.append(Finding("same-name-differs", text, entry.path, place.drive.name))

    def _by_content(
        self, place: Place, result: ReadingResult
    ) -> dict[bytes, list[tuple[CopyState, bytes]]]:
        """States and paths of the files with each content; the best last."""
        copies: dict[bytes, list[tuple[CopyState, bytes]]] = defaultdict(list)
        for at, path in enumerate(place.paths):
            number = place.first + at
            digest = result.found.get(number)
            if digest is not None and digest in self._wanted:
                state = self._copy_state(place, result, number, path, digest)
                copies[digest].append((state, path))
        for states in copies.values():
            states.sort(key=lambda each: _BEST_LAST.index(each[0]))
        return copies

    def _copy_state(
        self, place: Place, result: ReadingResult, number: int, path: bytes, digest: bytes
    ) -> CopyState:
        if place.fleeting_part(path):
            return CopyState.FLEETING
        if result.outcomes[number] != Outcome.EQUAL:
            return CopyState.CACHED
        try:
            facts = place.drive.root.facts(path)
            if not result.marks.holds(number, facts, place.sizes[number - place.first]):
                return CopyState.CHANGED
            is_own = self._own.take(place.drive, path, digest)
        except OSError:
            return CopyState.UNREADABLE
        return _STATES.get(result.read_back, CopyState.CACHED) if is_own else CopyState.SHARED
