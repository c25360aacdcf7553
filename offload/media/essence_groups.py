"""MXF clips that keep each track in a file of its own (SMPTE ST 390).

No open standard fixes the names; two forms are common practice, no source: folders ``VIDEO`` and
``AUDIO`` side by side, the sound's two-digit number behind the picture's name; or ``_v1``, ``_a1``
behind one name in one folder.
"""

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from offload.media.numbered_names import holes, range_text
from offload.values.clips import ClipCode, ClipFinding
from offload.values.entries import Entries
from offload.values.paths import name, parent

_CHECK = "essence-group"
_SOUND_NAME = re.compile(rb"(.+)([0-9]{2})", re.DOTALL)
_TRACK_NAME = re.compile(rb"(.+)[._-]([vVaA])([0-9]{1,2})", re.DOTALL)


@dataclass(frozen=True, slots=True)
class EssenceGroup:
    """The files of one clip.

    Attributes:
        pictures: numbers of entries.
        sounds: (track number, entry), sorted.
    """

    pictures: tuple[int, ...]
    sounds: tuple[tuple[int, int], ...]

    @property
    def files(self) -> tuple[int, ...]:
        """Pictures first, then sounds in their order."""
        return (*self.pictures, *(at for _number, at in self.sounds))

    def findings(self, path: bytes) -> tuple[ClipFinding, ...]:
        """Tracks that are missing, by name alone."""
        found: list[ClipFinding] = []
        if not self.pictures:
            text = "sound without its picture file"
            found.append(ClipFinding(ClipCode.PART_MISSING, text, path, check=_CHECK))
        for first, last in holes(number for number, _at in self.sounds):
            text = f"sound {range_text(first, last)} missing"
            found.append(ClipFinding(ClipCode.PART_MISSING, text, path, check=_CHECK))
        return tuple(found)


def essence_groups(entries: Entries, files: Iterable[int]) -> list[EssenceGroup]:
    """The groups among MXF files; files that belong to none are left to others.

    Args:
        entries: the inventory's entries.
        files: numbers of the MXF files among them.
    """
    by_folder: dict[bytes, dict[bytes, int]] = defaultdict(dict)
    for at in files:
        path = entries.path(at)
        by_folder[parent(path)][name(path).rpartition(b".")[0]] = at
    found: list[EssenceGroup] = []
    for folder, members in by_folder.items():
        if name(folder).upper() == b"VIDEO":
            sounds = _beside(by_folder, folder, b"AUDIO")
            found += _by_folder(members, sounds) if sounds else ()
        elif name(folder).upper() == b"AUDIO":
            if not _beside(by_folder, folder, b"VIDEO"):
                found += _by_folder({}, members)
        else:
            found += _by_letter(members)
    return found


def _beside(
    by_folder: dict[bytes, dict[bytes, int]], folder: bytes, wanted: bytes
) -> dict[bytes, int]:
    above = parent(folder)
    for other, members in by_folder.items():
        if parent(other) == above and name(other).upper() == wanted and other != folder:
            return members
    return {}


def _by_folder(pictures: dict[bytes, int], sounds: dict[bytes, int]) -> list[EssenceGroup]:
    parts: dict[bytes, list[tuple[int, int]]] = defaultdict(list)
    for stem, at in sounds.items():
        split = _SOUND_NAME.fullmatch(stem)
        if split:
            parts[split[1]].append((int(split[2]), at))
    groups = [
        EssenceGroup((at,), tuple(sorted(parts.pop(stem, ())))) for stem, at in pictures.items()
    ]
    groups += [EssenceGroup((), tuple(sorted(orphans))) for orphans in parts.values()]
    return groups


def _by_letter(members: dict[bytes, int]) -> list[EssenceGroup]:
    pictures: dict[bytes, list[int]] = defaultdict(list)
    sounds: dict[bytes, list[tuple[int, int]]] = defaultdict(list)
    for stem, at in sorted(members.items()):
        split = _TRACK_NAME.fullmatch(stem)
        if split is None:
            continue
        if split[2] in b"vV":
            pictures[split[1]].append(at)
        else:
            sounds[split[1]].append((int(split[3]), at))
    return [
        EssenceGroup(tuple(at), tuple(sorted(sounds[base])))
        for base, at in pictures.items()
        if base in sounds
    ]
