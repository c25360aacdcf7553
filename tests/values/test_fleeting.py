"""Copies in folders that are emptied or thinned out by themselves are no copies."""

import pytest

from offload.values.fleeting import fleeting_part, is_fleeting


@pytest.mark.parametrize(
    ("path", "part"),
    [
        (b"/media/x/.Trash-1000/files/A001", b".Trash-1000"),
        (b"/media/x/.Trashes/501/A001", b".Trashes"),
        (b"/home/u/.local/share/Trash/files/A001", b"Trash"),
        (b"E:/$RECYCLE.BIN/S-1-5/A001", b"$RECYCLE.BIN"),
        (b"/pool/.zfs/snapshot/daily/A001", b".zfs"),
        (b"/srv/.snapshots/12/snapshot/A001", b".snapshots"),
        (b"/srv/share/@GMT-2026.11.24-14.32.08/A001", b"@GMT-2026.11.24-14.32.08"),
        (b"Night Ferry/A001.incomplete", b"A001.incomplete"),
        (b"a/B.INCOMPLETE/c", b"B.INCOMPLETE"),
        (b"a/new\nline.incomplete", b"new\nline.incomplete"),
    ],
)
def test_fleeting_folder_is_named(path: bytes, part: bytes) -> None:
    assert fleeting_part(path) == part
    assert is_fleeting(path)


@pytest.mark.parametrize(
    "path",
    [
        b"",
        b"/",
        b"/media/shuttle/Night Ferry/A001",
        b"/x/Trash/A001",
        b"/x/.incomplete",
        b"/x/snapshot",
    ],
)
def test_lasting_folders_are_not(path: bytes) -> None:
    assert not is_fleeting(path)
