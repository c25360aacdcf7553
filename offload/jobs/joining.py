"""Letting what was added to a card join its roll, once it is proven (design, decision 15)."""

import contextlib

from offload.jobs.placing import Place, Standing
from offload.storage.naming import rename_exclusive
from offload.storage.root import walk_folders
from offload.storage.syncing import sync_folder
from offload.values.entries import Entries, Kind
from offload.values.paths import join, parent


def join_roll(place: Place, entries: Entries) -> None:
    """Move every proven addition from beside the roll into it, each in one exclusive rename.

    Interrupted at any moment it can be gone on with: a file is in one of the two places, and the
    next run finds it there.

    Raises:
        FileExistsError: a name in the roll was taken in the meantime.
        OSError: the drive failed.
    """
    root = place.drive.root
    grown = place.grows_in
    touched: set[bytes] = set()
    for number, entry in enumerate(entries):
        if place.has_joined(number) or not entry.kind.is_copied:
            continue
        source = place.path_of(number, entry.path)
        target = join(place.final, place.path_in_copy(entry.path))
        if entry.kind is Kind.FOLDER:
            touched.update(parent(made) for made in root.make_folders(target))
        else:
            made = root.make_folders(parent(target))
            touched.update(parent(folder) for folder in made)
            rename_exclusive(root, source, target)
        touched.add(parent(target))
        place.note_joined(number)
    for folder in sorted(touched, reverse=True):
        sync_folder(root, folder)
    remove_empty(place, grown)
    place.standing = Standing.DONE


def remove_empty(place: Place, top: bytes) -> None:
    """Remove what is left of a folder of ours beside the roll; it stays with anything in it."""
    root = place.drive.root
    root.forget_folders()
    with contextlib.suppress(OSError):
        for folder in reversed(walk_folders(root, top)):
            root.remove_folder(folder)
    root.forget_folders()
