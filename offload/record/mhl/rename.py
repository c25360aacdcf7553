"""Folders that were renamed, told by their files: each of these has its previous path beside it.

Source: ASC MHL 1.0 specification, sections 5.3.3 and 5.6, and guidelines, section 2.8. A renamed
folder gets a record with its previous path, as every folder and every file below it does. The name
of a roll's own folder stands in no path of its history, so giving a roll another name needs none.
"""

from collections.abc import Callable, Container, Iterable

from offload.record.mhl.model import HashRecord
from offload.record.mhl.tree import EmptyFolder, Item
from offload.values.paths import join, name, parent

_NOT_ONE = b""
"""What is below a folder was not all below one other before, each thing under the name it has."""


def folders_before(
    items: Callable[[], Iterable[Item]], known: Callable[[], Container[bytes]]
) -> dict[bytes, bytes]:
    """Folders renamed in this generation: path now -> path before.

    One counts as renamed only where every file below it was below the other, under the same name,
    and nothing lies there any more. The other need not have a record of its own: a generation that
    could not hash every file has none. An empty folder has nothing else to be told by.

    Args:
        items: what the generation says of a scope; each time anew from the start.
        known: the folders that its history knows; asked only where a file was renamed.
    """
    if not any(isinstance(item, HashRecord) and item.previous_path for item in items()):
        return {}
    before: dict[bytes, bytes] = {}
    empty: set[bytes] = set()
    for item in items():
        if isinstance(item, EmptyFolder):
            empty.add(item.path)
            continue
        new, old = item.path, _NOT_ONE
        if isinstance(item, HashRecord) and item.previous_path:
            old = item.previous_path
        while folder := parent(new):
            old = parent(old) if name(old) == name(new) else _NOT_ONE
            if before.setdefault(folder, old) != old:
                before[folder] = _NOT_ONE
            new = folder
    folders, there = known(), before.keys() | empty
    found = {new: old for new, old in before.items() if old and old not in there}
    for path in empty:
        old = found.get(parent(path), _NOT_ONE)
        was = join(old, name(path))
        if old and was in folders and was not in there:
            found[path] = was
    return found
