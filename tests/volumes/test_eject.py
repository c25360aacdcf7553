"""Unmounting: never by force, and whoever is in the way is named."""

import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from offload.volumes.commands import Outcome, run
from offload.volumes.eject import EjectError, unmount
from offload.volumes.holders import Holder, find_holders, parse_lsof
from offload.volumes.table import is_mounted, volume_of
from offload.volumes.volume import Volume, VolumeError
from tests.lab import mounts
from tests.lab.images import EXFAT, EXT4, NTFS, FileSystem, Rack

pytestmark = pytest.mark.lab


def at(place: Path) -> Volume:
    return volume_of(os.fsencode(place))


@pytest.mark.parametrize("fs", [EXT4, EXFAT, NTFS], ids=lambda fs: str(fs.name))
def test_unmounting_writes_everything_first(rack: Rack, fs: FileSystem) -> None:
    card = rack.volume(fs)
    content = os.urandom(2 << 20)
    (card.root / "A001.mov").write_bytes(content)
    volume = at(card.root)
    assert unmount(volume).still_mounted == ()
    assert not is_mounted(volume)
    assert os.listdir(card.root) == []
    pulled = rack.snapshot(card, "pulled")
    pulled.mount(read_only=True)
    assert (pulled.root / "A001.mov").read_bytes() == content


def test_hostile_mount_point(rack: Rack) -> None:
    root = rack.tmpfs("A001 [x]\n\x1b[1m\\040'$(id)", 1 << 20)
    volume = at(root)
    unmount(volume)
    assert not is_mounted(volume)


HOLDING = {
    "open file": "import sys,time; f=open(sys.argv[1]+'/A.mov','rb'); print('go',flush=True);"
    "time.sleep(60)",
    "working folder": "import os,sys,time; os.chdir(sys.argv[1]); print('go',flush=True);"
    "time.sleep(60)",
    "mapped file": "import mmap,os,sys,time; fd=os.open(sys.argv[1]+'/A.mov',os.O_RDONLY);"
    "m=mmap.mmap(fd,0,prot=mmap.PROT_READ); os.close(fd);"
    "[os.close(int(n)) for n in os.listdir('/proc/self/fd')"
    " if os.path.realpath('/proc/self/fd/'+n).startswith(sys.argv[1])];"
    "print('go',flush=True); time.sleep(60)",
}


@pytest.mark.parametrize("what", HOLDING)
def test_whoever_holds_it_is_named(rack: Rack, what: str) -> None:
    card = rack.volume(EXT4, name="card [x]")
    (card.root / "A.mov").write_bytes(b"x" * 4096)
    volume = at(card.root)
    command = [sys.executable, "-c", HOLDING[what], os.fspath(card.root)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        try:
            with pytest.raises(EjectError) as raised:
                unmount(volume)
        finally:
            holder.send_signal(signal.SIGKILL)
    (held,) = raised.value.holders
    assert (held.pid, held.what) == (holder.pid, what)
    assert f"process {holder.pid}" in str(raised.value)
    assert is_mounted(volume)
    assert raised.value.meaning
    unmount(volume)


def test_own_descriptor_is_named_as_ours(rack: Rack) -> None:
    card = rack.volume(EXT4)
    fd = os.open(card.root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with pytest.raises(EjectError, match="this program itself"):
            unmount(at(card.root))
    finally:
        os.close(fd)


def test_volume_that_left_already(rack: Rack) -> None:
    card = rack.volume(EXT4)
    volume = at(card.root)
    card.remount()
    with pytest.raises(VolumeError, match="not mounted any more"):
        unmount(volume)
    # The mounting that took its place is not touched.
    assert is_mounted(at(card.root))


def test_volume_below_another_is_not_guessed_at(rack: Rack) -> None:
    card, other = rack.volume(EXT4), rack.volume(EXT4)
    below = at(card.root)
    rack.bind_at(other.root, card.root)
    with pytest.raises(EjectError, match="mounted over it"):
        unmount(below)
    assert is_mounted(below)


def test_other_mountings_of_the_disk_are_told(rack: Rack) -> None:
    card = rack.volume(EXT4)
    bound = rack.bind(card.root, "bound")
    assert unmount(at(card.root)).still_mounted == (os.fsencode(bound),)


def test_command_that_only_claims_success_is_not_believed(rack: Rack) -> None:
    card = rack.volume(EXT4)
    with pytest.raises(EjectError, match="could not be unmounted"):
        unmount(at(card.root), runner=lambda command, timeout_s: Outcome(0))


def test_slow_unmounting_says_to_wait(rack: Rack) -> None:
    card = rack.volume(EXT4)
    with pytest.raises(EjectError, match="still being written"):
        unmount(at(card.root), runner=lambda command, timeout_s: Outcome(-1, is_late=True))


def test_nothing_is_ever_forced_or_lazy(rack: Rack) -> None:
    card = rack.volume(EXT4)
    commands: list[Sequence[str | bytes]] = []

    def runner(command: Sequence[str | bytes], timeout_s: float) -> Outcome:
        commands.append(command)
        return run(command, timeout_s)

    unmount(at(card.root), runner=runner)
    words = {os.fsdecode(word) for command in commands for word in command}
    assert not words & {"-f", "-l", "--force", "--lazy", "-fl", "force"}


def test_server_that_hangs_does_not_hang_us(rack: Rack) -> None:
    card = rack.volume(EXFAT)
    volume = at(card.root)
    server = mounts.serving_process(card.device)
    os.kill(server, signal.SIGSTOP)
    try:
        with pytest.raises(EjectError):
            unmount(volume, timeout_s=0.3)
    finally:
        os.kill(server, signal.SIGCONT)


def test_recorded_list_of_holders() -> None:
    # Field letters as in lsof(8), "OUTPUT FOR OTHER PROGRAMS"; the list is our own.
    output = (
        b"p41\ncviewer\x1b[1m\nfcwd\nn/Volumes/A001\nf5\nn/Volumes/A001/a\np42\ncx\nf7\nn/V/b\n"
    )
    found = parse_lsof(output)
    assert found == (
        Holder(41, "viewer\x1b[1m", "working folder", b"/Volumes/A001"),
        Holder(42, "x", "open file", b"/V/b"),
    )
    assert "\x1b" not in str(found[0])
    assert parse_lsof(b"\xff\n\npx\nn") == ()


def test_nobody_holds_a_fresh_mount(rack: Rack) -> None:
    assert find_holders(os.fsencode(rack.volume(EXT4).root)) == ()


def test_volume_of_another_time_is_refused(rack: Rack) -> None:
    card = rack.volume(EXT4)
    stale = replace(at(card.root), mount_id=at(card.root).mount_id + 1_000_000)
    with pytest.raises(VolumeError):
        unmount(stale)
    assert is_mounted(at(card.root))
