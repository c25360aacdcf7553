"""Open files on a drive that answers nothing: they are made useless, and nobody else's are."""

import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.jobs.lease import Lock
from offload.storage.root import Root
from offload.volumes.hanging_files import let_go_of_files
from tests.lab.images import Rack

pytestmark = pytest.mark.lab


@pytest.fixture
def volume(rack: Rack) -> Path:
    root = rack.volume(name="shuttle").root
    (root / "drive").mkdir()
    (root / "drive-2").mkdir()
    return root


@pytest.fixture
def root(volume: Path) -> Iterator[Root]:
    with Root(os.fsencode(volume / "drive")) as root:
        yield root


def test_file_on_the_drive_takes_nothing_more(volume: Path, root: Root) -> None:
    path = volume / "drive" / "A001C001.mov"
    fd = os.open(path, os.O_RDWR | os.O_CREAT)
    try:
        let_go_of_files(root.fd)
        with pytest.raises(OSError):
            os.write(fd, b"late")
    finally:
        os.close(fd)
    assert path.read_bytes() == b""


@pytest.mark.parametrize("name", ["ledger.db", "drive-2/A001C001.mov"])
def test_file_beside_the_drive_stays(volume: Path, root: Root, name: str) -> None:
    """A ledger or another drive's folder may lie on the same volume."""
    fd = os.open(volume / name, os.O_RDWR | os.O_CREAT)
    try:
        let_go_of_files(root.fd)
        assert os.write(fd, b"row") == 3
    finally:
        os.close(fd)
    assert (volume / name).read_bytes() == b"row"


def test_lock_on_a_roll_is_kept(volume: Path, root: Root) -> None:
    """What hangs on the drive may yet be carried out: no other run may take the roll before."""
    records = volume / "drive" / "records"
    records.mkdir()
    lock = Lock(root, b"records", "shuttle")
    assert lock.is_held
    other = os.open(records, os.O_RDONLY | os.O_DIRECTORY)
    try:
        let_go_of_files(root.fd)
        with pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    finally:
        os.close(other)
        lock.release()
