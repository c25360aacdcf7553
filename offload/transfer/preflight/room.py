"""Whether what has to go to the drives fits there; several on one file system share its room."""

from collections.abc import Iterator, Mapping, Sequence

from offload.transfer.preflight.problems import Problem, drop, size_text
from offload.transfer.preflight.proposal import ProposedDrive
from offload.transfer.preflight.space import SpaceNeed
from offload.values.paths import shown, to_text

_MAKE_ROOM = "Make room there, or name another drive:  offload copy --to DRIVE"


def about_room(
    drives: Sequence[ProposedDrive], needs: Mapping[str, SpaceNeed]
) -> Iterator[Problem]:
    """Drives that cannot hold the card.

    Args:
        drives: those that take part, in their order: where two share a file system with room for
            one, the first gets it.
        needs: by drive name.
    """
    taken: dict[object, tuple[int, int]] = {}
    for drive in drives:
        need = needs[drive.name]
        if need.too_large:
            yield _too_large(drive, need)
            continue
        key: object = drive.device if drive.device >= 0 else drive.name
        used_bytes, used_names = taken.get(key, (0, 0))
        room = None if drive.free_bytes is None else drive.free_bytes - used_bytes
        inodes = None if drive.free_inodes is None else drive.free_inodes - used_names
        if room is not None and need.total_bytes > room:
            yield _too_little(drive, need, max(room, 0), shares=used_bytes > 0)
        elif inodes is not None and need.names > inodes:
            yield _too_few_inodes(drive, need, max(inodes, 0))
        else:
            # The reserve is the file system's and is kept once.
            written = need.total_bytes - need.reserve_bytes
            taken[key] = used_bytes + written, used_names + need.names


def _too_large(drive: ProposedDrive, need: SpaceNeed) -> Problem:
    first = to_text(need.too_large[0])
    more = f" and {len(need.too_large) - 1} more" if len(need.too_large) > 1 else ""
    return drop(
        "file-too-large",
        f"{shown(drive.name)} cannot hold {first}{more}: larger than its file system takes.",
        "Name a drive with another file system (exFAT takes any size):  offload copy --to DRIVE",
        drive=drive.name,
        paths=need.too_large,
    )


def _too_little(drive: ProposedDrive, need: SpaceNeed, room: int, *, shares: bool) -> Problem:
    left = "left beside the other copy on the same file system" if shares else "free"
    return drop(
        "too-little-room",
        f"{shown(drive.name)} needs {size_text(need.total_bytes)} for this card and has "
        f"{size_text(room)} {left}: {size_text(need.total_bytes - room)} are missing.",
        _MAKE_ROOM,
        drive=drive.name,
    )


def _too_few_inodes(drive: ProposedDrive, need: SpaceNeed, inodes: int) -> Problem:
    return drop(
        "too-few-inodes",
        f"{shown(drive.name)} can take {inodes} more files and folders, and this card needs "
        f"{need.names}.",
        _MAKE_ROOM,
        drive=drive.name,
    )
