"""A name is taken by one, never from another: on file systems that help and on those that do not.

Sources: rename(2) (``RENAME_NOREPLACE``: ``EINVAL`` where the file system has it not), rename of
a folder over an empty one (POSIX ``rename``).
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from offload.storage.naming import rename_exclusive
from offload.storage.root import Root
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import ALL, FileSystem, Rack


@dataclass
class Desk:
    """A drive with a finished copy and a file, and other things under the names they want."""

    top: Path

    def __post_init__(self) -> None:
        (self.top / "A001.incomplete").mkdir()
        (self.top / "A001.incomplete/C1.mov").write_bytes(b"new")
        (self.top / "list.new").write_bytes(b"new")
        (self.top / "day").mkdir()

    def put(self, kind: str, name: str) -> None:
        place = self.top / name
        if kind == "file":
            place.write_bytes(b"old")
        elif kind == "empty file":
            place.touch()
        elif kind == "link":
            place.symlink_to("nowhere")
        else:
            place.mkdir()
            if kind == "folder":
                (place / "old").write_bytes(b"old")

    def all(self) -> list[str]:
        return sorted(str(each.relative_to(self.top)) for each in self.top.rglob("*"))


@pytest.fixture(params=["kept", "refused"])
def desk(request: pytest.FixtureRequest, faulty: Callable[..., FaultFs]) -> tuple[Desk, FaultFs]:
    fs = faulty("drive-1", Quirks(rename_flags=request.param))
    return Desk(fs.backing), fs


@pytest.mark.parametrize("source", ["A001.incomplete", "list.new"])
@pytest.mark.parametrize("kind", ["file", "empty file", "link", "empty folder", "folder"])
def test_a_name_in_use_is_never_taken(desk: tuple[Desk, FaultFs], source: str, kind: str) -> None:
    made, fs = desk
    made.put(kind, "day/A001")
    before = made.all()
    with Root(os.fsencode(fs.root)) as root, pytest.raises(FileExistsError):
        rename_exclusive(root, os.fsencode(source), b"day/A001")
    assert made.all() == before


def test_a_free_name_is_taken_whole(desk: tuple[Desk, FaultFs]) -> None:
    made, fs = desk
    with Root(os.fsencode(fs.root)) as root:
        root.names(b"A001.incomplete")
        rename_exclusive(root, b"A001.incomplete", b"day/A001")
        rename_exclusive(root, b"list.new", b"day/list")
        # Handles of the old path are forgotten: nothing is there any more.
        assert not root.exists(b"A001.incomplete/C1.mov")
        assert root.read_small(b"day/A001/C1.mov", 10) == b"new"
    assert made.all() == ["day", "day/A001", "day/A001/C1.mov", "day/list"]


@pytest.mark.parametrize("source", ["A001.incomplete", "list.new"])
def test_a_claim_goes_when_the_rename_fails(faulty: Callable[..., FaultFs], source: str) -> None:
    fs = faulty("drive-1", Quirks(rename_flags="refused"))
    desk = Desk(fs.backing)
    before = desk.all()
    fs.plan(Fault("rename", count=0))
    with Root(os.fsencode(fs.root)) as root, pytest.raises(OSError):
        rename_exclusive(root, os.fsencode(source), b"day/A001")
    assert desk.all() == before


def test_other_errors_are_told_and_not_worked_around(desk: tuple[Desk, FaultFs]) -> None:
    made, fs = desk
    before = made.all()
    with Root(os.fsencode(fs.root)) as root:
        with pytest.raises(FileNotFoundError):
            rename_exclusive(root, b"A001.incomplete", b"missing/A001")
        with pytest.raises(FileNotFoundError):
            rename_exclusive(root, b"missing", b"day/A001")
        fs.plan(Fault("rename", count=0, errno="ENOSPC"))
        with pytest.raises(OSError, match="space"):
            rename_exclusive(root, b"A001.incomplete", b"day/A001")
    assert made.all() == before


@pytest.mark.lab
@pytest.mark.parametrize("kind", ALL, ids=lambda fs: fs.name)
def test_every_file_system_of_drives_keeps_what_has_the_name(rack: Rack, kind: FileSystem) -> None:
    volume = rack.volume(kind)
    desk = Desk(volume.root)
    for name in ("day/file", "day/empty"):
        desk.put("file" if name == "day/file" else "empty folder", name)
    with Root(os.fsencode(volume.root)) as root:
        for taken in (b"day/file", b"day/empty"):
            for source in (b"A001.incomplete", b"list.new"):
                with pytest.raises(FileExistsError):
                    rename_exclusive(root, source, taken)
        rename_exclusive(root, b"A001.incomplete", b"day/A001")
        rename_exclusive(root, b"list.new", b"day/list")
    assert (volume.root / "day/A001/C1.mov").read_bytes() == b"new"
    assert (volume.root / "day/list").read_bytes() == b"new"
    assert (volume.root / "day/file").read_bytes() == b"old"
