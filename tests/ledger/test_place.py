"""Where the ledger may be kept; refusals on real file systems."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from offload.errors import LedgerError
from offload.ledger import Ledger, place

# A file system in user space that keeps its files in memory. With direct I/O the kernel refuses
# shared memory maps of its files, as on many network file systems (fuse.rst, FOPEN_DIRECT_IO).
_FUSE = """
import errno, os, stat, sys, time
import mfusepy

class Memory(mfusepy.Operations):
    use_ns = True
    def __init__(self):
        self.files = {"/": None}
        self.modes = {"/": stat.S_IFDIR | 0o700}
    def getattr(self, path, fh=None):
        if path not in self.files:
            raise mfusepy.FuseOSError(errno.ENOENT)
        size = len(self.files[path] or b"")
        return {"st_mode": self.modes[path], "st_size": size, "st_nlink": 1,
                "st_uid": os.getuid(), "st_gid": os.getgid()}
    def readdir(self, path, fh=None):
        head = path.rstrip("/") + "/"
        yield from (".", "..")
        for name in list(self.files):
            if name != "/" and name.startswith(head) and "/" not in name[len(head):]:
                yield name[len(head):]
    def mkdir(self, path, mode):
        self.files[path], self.modes[path] = None, stat.S_IFDIR | mode
    def create(self, path, mode, fi=None):
        self.files[path], self.modes[path] = bytearray(), stat.S_IFREG | mode
        return 0
    def open(self, path, flags):
        return 0
    def read(self, path, size, offset, fh):
        return bytes(self.files[path][offset:offset + size])
    def write(self, path, data, offset, fh):
        content = self.files[path]
        content.extend(bytes(max(0, offset - len(content))))
        content[offset:offset + len(data)] = data
        return len(data)
    def truncate(self, path, length, fh=None):
        content = self.files[path]
        content.extend(bytes(max(0, length - len(content))))
        del content[length:]
        return 0
    def unlink(self, path):
        del self.files[path]
    def rmdir(self, path):
        del self.files[path]
    def rename(self, old, new):
        self.files[new], self.modes[new] = self.files.pop(old), self.modes.pop(old)
    def fsync(self, path, datasync, fh):
        return 0
    def chmod(self, path, mode):
        return 0
    def utimens(self, path, times=None):
        return 0

options = {name: True for name in sys.argv[2:]}
mfusepy.FUSE(Memory(), sys.argv[1], foreground=True, nothreads=True, fsname="memory", **options)
"""


@contextmanager
def user_space(folder: Path, *options: str) -> Iterator[bytes]:
    """A mounted file system in user space; taken down whatever happens."""
    folder.mkdir()
    command = [sys.executable, "-c", _FUSE, str(folder), *options]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    try:
        for _ in range(100):
            if folder.is_mount() or process.poll() is not None:
                break
            time.sleep(0.05)
        assert folder.is_mount(), process.stderr and process.stderr.read()
        yield bytes(folder)
    finally:
        subprocess.run(["fusermount", "-u", "-z", str(folder)], check=False, capture_output=True)
        subprocess.run(["umount", "-l", str(folder)], check=False, capture_output=True)
        process.kill()
        process.communicate()


@pytest.mark.lab
def test_place_without_shared_memory_is_refused(tmp_path: Path) -> None:
    with user_space(tmp_path / "share", "direct_io") as folder:
        with pytest.raises(LedgerError, match="shared memory does not work there") as caught:
            Ledger(folder)
        assert os.listdir(folder) == []
    assert "OFFLOAD_HOME" in caught.value.remedy


@pytest.mark.lab
def test_refusal_is_of_the_place_and_not_of_user_space(tmp_path: Path) -> None:
    with user_space(tmp_path / "local") as folder:
        assert place.refuse_unfit(folder).fs_type == "fuse"


@pytest.mark.parametrize("fs_type", ["nfs4", "cifs", "fuse.sshfs", "9p"])
def test_share_is_refused_by_its_type(tmp_path: Path, fs_type: str) -> None:
    with pytest.raises(LedgerError, match=f"on a share \\({fs_type}\\)"):
        place.refuse_unfit(bytes(tmp_path), fs_type=fs_type)


def test_local_folder_is_taken_and_left_empty(tmp_path: Path) -> None:
    found = place.refuse_unfit(bytes(tmp_path))
    assert list(tmp_path.iterdir()) == []
    named = subprocess.run(
        ["findmnt", "-n", "-o", "FSTYPE", "-T", str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert found.fs_type == named.stdout.split()[0]


def test_memory_is_told_apart() -> None:
    assert place.refuse_unfit(b"/dev/shm").is_ram


def test_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    with pytest.raises(LedgerError, match="cannot be made") as caught:
        Ledger(bytes(in_the_way / "home"))
    assert caught.value.path == bytes(in_the_way / "home")
