"""A folder's history together with the ones nested in it.

Source: ASC MHL 1.0 specification, sections 5.3.2 and 5.3.3: a record goes only into the history
nearest above the file; an enclosing history refers to the nested ones, and following a reference
means reading that whole history.
"""

from collections.abc import Collection, Container, Iterable, Iterator
from datetime import datetime

from offload.record.folder import Folder
from offload.record.mhl.history import History, has_history, load_history
from offload.record.mhl.known import Known
from offload.record.mhl.model import HashRecord, Reference
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.values.findings import Finding
from offload.values.paths import join, name, parent


class Custody:
    """Histories that enclose one another, by scope; the outermost first.

    Attributes:
        top: path of the outermost scope.
        histories: by path of their scope, all relative to the folder they were loaded from.
        faults: of all histories, and of the references between them: ``nested-missing``,
            ``reference-missing``, ``reference-changed``, ``reference-odd``.
    """

    def __init__(
        self, top: bytes, histories: dict[bytes, History], faults: Iterable[Finding] = ()
    ) -> None:
        self.top = top
        self.histories = dict(sorted(histories.items()))
        own = [fault for history in self.histories.values() for fault in history.faults]
        self.faults = (*own, *faults)

    @property
    def notices(self) -> tuple[Finding, ...]:
        """Of all histories."""
        return tuple(one for history in self.histories.values() for one in history.notices)

    def scope_of(self, path: bytes) -> bytes | None:
        """The nearest scope at or above a path; None where there is none."""
        return nearest_scope(self.histories, path)

    def lookup(self, path: bytes) -> Known | None:
        """What is recorded of a file: by the nearest history, else by one further out.

        Further out there may be records from before the nearer history was begun.
        """
        scope = self.scope_of(parent(path))
        while scope is not None:
            known = self.histories[scope].lookup(_below(path, scope))
            if known is not None or not scope:
                return known
            scope = self.scope_of(parent(scope))
        return None

    def ignores(self, path: bytes, *, is_folder: bool = False) -> bool:
        """Whether the nearest history, or one around it, ignores this entry."""
        scope = self.scope_of(parent(path))
        while scope is not None:
            if self.histories[scope].ignores(_below(path, scope), is_folder=is_folder):
                return True
            if not scope:
                return False
            scope = self.scope_of(parent(scope))
        return False

    def current(self) -> Iterator[tuple[bytes, HashRecord]]:
        """Every file that ought to be there: its path from outside, and its newest record."""
        for scope, history in self.histories.items():
            for record in history.current():
                path = join(scope, record.path)
                if not self._is_told_within(path, scope) and not self.ignores(path):
                    yield path, record

    def _is_told_within(self, path: bytes, scope: bytes) -> bool:
        """Whether a history further in than ``scope`` speaks of the file."""
        inner = self.scope_of(parent(path))
        while inner is not None and inner != scope:
            if self.histories[inner].has_seen(_below(path, inner)):
                return True
            inner = self.scope_of(parent(inner))
        return False

    def nested_in(self, scope: bytes) -> list[bytes]:
        """The scopes whose nearest enclosing one is ``scope``, sorted."""
        return nested_scopes(self.histories, scope)


def nearest_scope(scopes: Container[bytes], path: bytes) -> bytes | None:
    """The one of ``scopes`` that is nearest at or above ``path``."""
    while True:
        if path in scopes:
            return path
        if not path:
            return None
        path = parent(path)


def nested_scopes(scopes: Collection[bytes], scope: bytes) -> list[bytes]:
    """Those of ``scopes`` whose nearest enclosing one is ``scope``, sorted."""
    return sorted(
        other for other in scopes if other and nearest_scope(scopes, parent(other)) == scope
    )


def from_within(scopes: Collection[bytes]) -> list[bytes]:
    """All scopes, nested ones before those that enclose them."""
    return sorted(scopes, key=lambda scope: (-scope.count(b"/") - bool(scope), scope))


def load_custody(
    folder: Folder,
    top: bytes = b"",
    scopes: Iterable[bytes] = (),
    *,
    now: datetime | None = None,
) -> Custody:
    """Load the history at ``top`` and all that it refers to, directly or not.

    Args:
        folder: what is read from.
        top: path of a folder; it need not have a history itself when ``scopes`` are given.
        scopes: folders below that may have histories, whether or not any refers to them.
        now: see :func:`~offload.record.mhl.history.load_history`.
    """
    histories: dict[bytes, History] = {}
    faults: list[Finding] = []
    waiting = [top, *scopes]
    while waiting:
        scope = waiting.pop()
        if scope not in histories and _has(folder, scope):
            history = histories[scope] = load_history(folder, scope, now=now)
            waiting += set(_referred_scopes(history))
    for history in histories.values():
        faults += _reference_faults(history, histories)
    return Custody(top, histories, faults)


def _has(folder: Folder, scope: bytes) -> bool:
    try:
        return has_history(folder, scope)
    except FileNotFoundError:
        return False
    except OSError:
        # There is something that cannot be read; loading it tells what.
        return True


def _below(path: bytes, scope: bytes) -> bytes:
    return path[len(scope) + 1 :] if scope else path


def _nested_scope(history: History, reference: Reference) -> bytes | None:
    folder = parent(reference.path)
    inner = parent(folder)
    if name(folder) != HISTORY_FOLDER or not inner:
        return None
    return join(history.scope, inner)


def _referred_scopes(history: History) -> Iterator[bytes]:
    for generation in history.generations:
        for reference in generation.references:
            scope = _nested_scope(history, reference)
            if scope is not None:
                yield scope


def _reference_faults(history: History, histories: dict[bytes, History]) -> Iterator[Finding]:
    told: set[bytes] = set()
    for generation in history.generations:
        for reference in generation.references:
            finding = _fault(history, reference, histories)
            if finding is not None and finding.path not in told:
                told.add(finding.path)
                yield finding


def _fault(
    history: History, reference: Reference, histories: dict[bytes, History]
) -> Finding | None:
    path = join(history.scope, reference.path)
    scope = _nested_scope(history, reference)
    if scope is None:
        return Finding("reference-odd", "is referred to and is no manifest of a history", path)
    nested = histories.get(scope)
    if nested is None:
        return Finding(
            "nested-missing", "has a history by what is recorded, and there is none", scope
        )
    for entry in nested.chain.entries:
        if entry.path == name(reference.path):
            if entry.c4 == reference.c4:
                return None
            return Finding("reference-changed", "is not the manifest that is referred to", path)
    return Finding("reference-missing", "is referred to and is in no chain", path)
