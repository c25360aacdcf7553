"""A folder that nobody waits for any more: what comes back from it late does nothing more there."""

import contextlib
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.storage.root import Root
from tests.lab.faultfs import Fault, FaultFs

pytestmark = pytest.mark.lab

WAIT_S = 20.0


@pytest.fixture
def drive(tmp_path: Path) -> Iterator[FaultFs]:
    backing = tmp_path / "backing"
    (backing / "A001").mkdir(parents=True)
    (backing / "A001" / "A001C001.mov").write_bytes(b"footage")
    with FaultFs(backing, tmp_path / "drive") as drive:
        yield drive
        drive.plan()
        drive.release("EIO")


@pytest.mark.parametrize(
    "step",
    [
        pytest.param(lambda root: root.remove_file(b"A001/A001C001.mov"), id="remove"),
        pytest.param(lambda root: root.make_folders(b"A001/Clips"), id="make a folder"),
        pytest.param(lambda root: root.create_file(b"A001/new.mov", os.O_RDWR), id="create"),
        pytest.param(
            lambda root: os.rename(
                b"A001C001.mov",
                b"other.mov",
                src_dir_fd=root.folder(b"A001"),
                dst_dir_fd=root.folder(b"A001"),
            ),
            id="rename",
        ),
    ],
)
def test_nothing_follows_the_opening_of_a_folder_that_hung(
    drive: FaultFs, step: Callable[[Root], object]
) -> None:
    """The call that hangs is the opening; the one it is for must not be carried out hours later."""
    drive.plan(Fault("getattr", "hang", path="A001"))
    with Root(os.fsencode(drive.root)) as root:

        def run() -> None:
            with contextlib.suppress(OSError):
                step(root)

        thread = threading.Thread(target=run)
        thread.start()
        drive.wait_hanging(WAIT_S)
        root.give_up()
        drive.plan()
        drive.release()
        thread.join(WAIT_S)
        assert not thread.is_alive()
    assert [(path.name, path.read_bytes()) for path in (drive.backing / "A001").iterdir()] == [
        ("A001C001.mov", b"footage")
    ]
