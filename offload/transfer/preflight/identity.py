"""Whether each drive is the one it should be, and one that can take a copy at all.

Drops a drive: away, read-only, another or no file system where it should be, a card, a folder that
is emptied by itself.
"""

from collections.abc import Iterator, Sequence

from offload.transfer.preflight.existing import Use
from offload.transfer.preflight.problems import Problem, drop
from offload.transfer.preflight.proposal import ProposedDrive
from offload.values.fleeting import fleeting_part
from offload.values.paths import join, shown, to_text

OTHER_DRIVE = "Name another drive:  offload copy --to DRIVE"


def is_bare_mount_place(path: bytes, mount_point: bytes, places: Sequence[bytes]) -> bool:
    """Whether a folder lies where volumes appear although none is mounted there.

    Args:
        path: the folder, absolute and real.
        mount_point: of the file system that it lies on.
        places: folders below which volumes appear, such as ``/media`` and ``/run/media``.
    """
    # What is mounted at such a place itself (a drive at /mnt) is a volume that has appeared.
    return any(
        below(path, place) is not None and below(mount_point, place) is None for place in places
    )


def about_drive(drive: ProposedDrive) -> Iterator[Problem]:
    """Why one drive cannot take a copy."""
    called = shown(drive.name)
    if drive.refusal:
        yield drop(
            "drive-away",
            f"{called} cannot be opened: {shown(drive.refusal)}.",
            "Plug it in, then the same command: only what is missing is copied.",
            drive=drive.name,
        )
        return
    yield from _about_identity(drive, called)
    # A whole copy on a drive that takes no write can still be proven.
    if drive.is_read_only and drive.existing.use is not Use.PROVE:
        yield drop(
            "drive-read-only",
            f"{called} takes no write: it is mounted read-only.",
            "Lift its write protection and plug it in again, then the same command.",
            drive=drive.name,
        )
    if drive.is_card:
        yield drop(
            "drive-is-card",
            f"{called} is, or once was, a card, and cards get erased.",
            OTHER_DRIVE,
            drive=drive.name,
        )
    elif drive.has_card_layout:
        yield drop(
            "drive-is-card",
            f"{called} has a card's folders at its top, and nothing is ever written to a card.",
            "If it is a drive, take it into use first:  offload drive add",
            drive=drive.name,
        )
    part = fleeting_part(join(drive.path, drive.folder))
    if part:
        yield drop(
            "drive-fleeting",
            f"{called} is a folder below '{to_text(part)}', whose content may go at any moment.",
            "Name a folder that lasts:  offload copy --to FOLDER",
            drive=drive.name,
        )


def _about_identity(drive: ProposedDrive, called: str) -> Iterator[Problem]:
    if drive.is_bare_mount_place and not _is_marked(drive):
        yield drop(
            "drive-not-mounted",
            f"{called} is an empty place ({to_text(drive.path)}): no volume is mounted there, and "
            "the copy would go to this computer's own disk.",
            "Plug the drive in and wait until it is mounted, then the same command.",
            drive=drive.name,
        )
    elif _differs(drive.expected_volume_id, drive.volume_id):
        yield drop(
            "drive-not-mounted",
            f"{called} is not there: another file system is mounted at {to_text(drive.path)}.",
            "Plug in the right drive, or take this one into use:  offload drive add",
            drive=drive.name,
        )
    elif _differs(drive.expected_marker, drive.marker):
        yield drop(
            "drive-not-mounted",
            f"{called} is not there: {to_text(drive.path)} lacks the marker file that was written "
            "at its first use.",
            "Plug in the right drive, or take this one into use:  offload drive add",
            drive=drive.name,
        )


def _is_marked(drive: ProposedDrive) -> bool:
    # Somebody took this very folder into use, wherever it lies.
    return bool(drive.expected_marker) and drive.marker == drive.expected_marker


def _differs(expected: str, found: str) -> bool:
    # A file system that tells no id at all is not the one that told it, either.
    return bool(expected) and expected != found


def below(path: bytes, folder: bytes) -> bytes | None:
    """The rest of ``path`` below ``folder``, empty for the folder itself; None when outside."""
    if not folder:
        return None
    inner, outer = path.rstrip(b"/"), folder.rstrip(b"/")
    if inner == outer:
        return b""
    return inner[len(outer) + 1 :] if inner.startswith(outer + b"/") else None
