"""The watcher on real mounts that come, flap, hang and leave."""

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.volumes.linux_table import LinuxTable
from offload.volumes.settle import look_at
from offload.volumes.signals import FolderSignal, MountTableSignal, TimerSignal
from offload.volumes.volume import Mounting, Volume
from offload.volumes.watch import Appeared, Left, Pace, Settled, VolumeEvent, Watcher, WatchFailed
from tests.lab import mounts
from tests.lab.faultfs import FaultFs
from tests.lab.images import EXFAT, EXT4, Rack

pytestmark = pytest.mark.lab

PACE = Pace(stands_s=0.02, quiet_s=0.1, look_s=0.05, patience_s=5.0, slow_s=0.5)
LONG_S = 20.0


class Seen:
    """Events of one folder's volumes, in order."""

    def __init__(self, watcher: Watcher, folder: Path) -> None:
        self._watcher = watcher
        self._head = os.fsencode(folder)
        self.events: list[VolumeEvent] = []

    def wait(self, is_it: Callable[[VolumeEvent], bool]) -> VolumeEvent:
        """The next event of this kind; everything before it is kept too."""
        while (event := self._watcher.next(LONG_S)) is not None:
            assert not isinstance(event, WatchFailed), event
            if not event.volume.mount_point.startswith(self._head):
                continue
            self.events.append(event)
            if is_it(event):
                return event
        raise AssertionError(f"nothing came; before: {self.events}")

    def wait_for(self, kind: type, place: Path) -> VolumeEvent:
        """The next event of a kind and place."""
        root = os.fsencode(place)
        return self.wait(
            lambda e: (
                isinstance(e, kind)
                and not isinstance(e, WatchFailed)
                and e.volume.mount_point == root
            )
        )


@pytest.fixture
def seen(rack: Rack) -> Iterator[Seen]:
    with Watcher(LinuxTable(answer_s=0.5), pace=PACE) as watcher:
        yield Seen(watcher, rack.folder)


def test_card_that_comes_and_goes(rack: Rack, seen: Seen) -> None:
    card = rack.volume(EXFAT, name="card", label="A001", is_mounted=False)
    for _ in range(3):
        card.mount()
        (card.root / "A001C001.mov").write_bytes(b"x")
        settled = seen.wait_for(Settled, card.root)
        assert isinstance(settled, Settled)
        assert settled.volume.label == "A001"
        assert not settled.is_empty
        card.unmount()
        seen.wait_for(Left, card.root)
    kinds = [type(event) for event in seen.events]
    assert kinds == [Appeared, Settled, Left] * 3
    assert len({e.volume.mount_id for e in seen.events if isinstance(e, Appeared)}) == 3


def test_volumes_mounted_before_the_watch(rack: Rack) -> None:
    card = rack.volume(EXT4, name="card")
    with Watcher(pace=PACE) as watcher:
        Seen(watcher, rack.folder).wait_for(Settled, card.root)


def test_lazy_unmount_and_mounting_over(rack: Rack, seen: Seen) -> None:
    card, other = rack.volume(EXT4, name="card"), rack.volume(EXT4, name="other")
    seen.wait_for(Settled, card.root)
    rack.bind_at(other.root, card.root)
    over = seen.wait_for(Settled, card.root)
    assert isinstance(over, Settled)
    mounts.unmount_lazy(card.root)
    gone = seen.wait_for(Left, card.root)
    assert isinstance(gone, Left)
    assert gone.volume.mount_id == over.volume.mount_id
    card.unmount_lazy()
    seen.wait_for(Left, card.root)
    places = [e.volume.mount_id for e in seen.events if isinstance(e, Appeared)]
    assert len(places) == len(set(places)) == 3


def test_mount_that_flaps_does_no_harm(rack: Rack, seen: Seen) -> None:
    card = rack.volume(EXT4, name="card", is_mounted=False)
    for _ in range(10):
        card.mount()
        card.unmount()
    card.mount()
    (card.root / "A001C001.mov").write_bytes(b"x")
    seen.wait(lambda event: isinstance(event, Settled) and not event.is_empty)
    came = [e.volume.mount_id for e in seen.events if isinstance(e, Appeared)]
    left = [e.volume.mount_id for e in seen.events if isinstance(e, Left)]
    assert len(came) == len(set(came))
    # Each that was announced has left, but for the one that is there.
    assert came[:-1] == left


def test_content_bound_over_an_empty_mount(rack: Rack, seen: Seen) -> None:
    content = rack.volume(EXT4, name="content")
    (content.root / "A001C001.mov").write_bytes(b"x")
    first = rack.tmpfs("card", 1 << 20)
    seen.wait_for(Appeared, first)
    rack.bind_at(content.root, first)
    settled = seen.wait_for(Settled, first)
    assert isinstance(settled, Settled)
    assert (settled.is_empty, settled.volume.fs_type) == (False, "ext4")
    assert not [e for e in seen.events if isinstance(e, Settled) and e.is_empty]


def test_file_system_that_hangs_delays_nobody_else(rack: Rack, seen: Seen) -> None:
    dead = rack.volume(EXFAT, name="dead", is_mounted=False)
    dead.mount()
    server = mounts.serving_process(dead.device)
    os.kill(server, signal.SIGSTOP)
    try:
        well = rack.volume(EXT4, name="well")
        seen.wait_for(Settled, well.root)
        well.unmount()
        seen.wait_for(Left, well.root)
        assert not [e for e in seen.events if isinstance(e, Settled) and e.volume.label == "dead"]
    finally:
        os.kill(server, signal.SIGCONT)
    if not [e for e in seen.events if e.volume.mount_point == os.fsencode(dead.root)]:
        seen.wait_for(Appeared, dead.root)


def test_nothing_is_held_so_that_a_card_can_be_ejected(rack: Rack, seen: Seen) -> None:
    card = rack.volume(EXT4, name="card")
    (card.root / "DCIM").mkdir()
    seen.wait_for(Settled, card.root)
    mounts.run(["umount", os.fspath(card.root)])
    seen.wait_for(Left, card.root)


def test_looking_stamps_no_folder(rack: Rack) -> None:
    card = rack.volume(EXT4, name="card")
    folder = card.root / "DCIM"
    folder.mkdir()
    # An access time from before the last change is stamped by any plain reading (mount(8)).
    os.utime(folder, ns=(10**9, 2 * 10**9))
    look_at(os.fsencode(card.root))
    assert folder.stat().st_atime_ns == 10**9
    os.listdir(folder)
    assert folder.stat().st_atime_ns != 10**9


def test_what_a_look_sees(tmp_path: Path) -> None:
    place = os.fsencode(tmp_path)
    assert look_at(place).is_empty
    (tmp_path / "DCIM").mkdir()
    first = look_at(place)
    assert not first.is_empty
    assert look_at(place) == first
    (tmp_path / "DCIM" / "A.mov").write_bytes(b"")
    second = look_at(place)
    assert second.digest != first.digest
    (tmp_path / "DCIM" / "A.mov").write_bytes(b"x")
    assert look_at(place).digest != second.digest
    assert "no such file" in look_at(place + b"/nowhere").problem


def test_look_at_a_folder_of_thousands_asks_for_few_of_them(
    faulty: Callable[..., FaultFs],
) -> None:
    """Three looks come before a card's answer, and some drivers search the folder for each name.

    A name that comes is seen all the same, wherever in the folder it is listed.
    """
    card = faulty("card")
    folder = card.backing / "A001C001_240501_R1AB"
    folder.mkdir()
    for number in range(3000):
        (folder / f"A001C001_{number:07}.j2c").write_bytes(b"frame")
    card.plan()
    first = look_at(os.fsencode(card.root))
    # The kernel asks up to three times for each: at its name, and when its facts are wanted.
    assert card.counts()["getattr"] < 1000
    assert look_at(os.fsencode(card.root)) == first
    (folder / "A001C001_0003000.j2c").write_bytes(b"frame")
    assert look_at(os.fsencode(card.root)).digest != first.digest


def test_look_does_not_cross_into_other_volumes(rack: Rack) -> None:
    card = rack.volume(EXT4, name="card")
    (card.root / "inner").mkdir()
    other = rack.volume(EXT4, name="other")
    rack.bind_at(other.root, card.root / "inner")
    mtime = other.root.stat().st_mtime_ns
    first = look_at(os.fsencode(card.root))
    (other.root / "new").write_bytes(b"x")
    os.utime(other.root, ns=(mtime, mtime))
    assert look_at(os.fsencode(card.root)) == first


def test_stop_ends_all_and_gives_back_descriptors(rack: Rack) -> None:
    before = sorted(os.listdir("/proc/self/fd"))
    threads = threading.active_count()
    for _ in range(5):
        watcher = Watcher(pace=PACE)
        watcher.start()
        watcher.stop()
        watcher.stop()
    assert sorted(os.listdir("/proc/self/fd")) == before
    assert threading.active_count() <= threads


def test_waking_a_closed_signal_writes_nowhere(tmp_path: Path) -> None:
    signals = MountTableSignal()
    signals.close()
    with (tmp_path / "copy").open("wb") as first, (tmp_path / "copy2").open("wb"):
        signals.wake()
        signals.close()
        first.flush()
    assert (tmp_path / "copy").read_bytes() == (tmp_path / "copy2").read_bytes() == b""


class BrokenTable(LinuxTable):
    """A mount table that cannot be read."""

    def mountings(self) -> tuple[Mounting, ...]:
        raise OSError(13, "Permission denied")


class FaultyTable(LinuxTable):
    """A table whose descriptions are our own fault."""

    def describe(self, mounting: Mounting) -> Volume | None:
        raise ZeroDivisionError


@pytest.mark.parametrize("table", [BrokenTable(), FaultyTable()], ids=["table", "description"])
def test_watching_that_fails_says_so(table: LinuxTable) -> None:
    pace = Pace(stands_s=0.01, look_s=0.01, net_s=0.01)
    with Watcher(table, pace=pace) as watcher:
        assert isinstance(watcher.next(LONG_S), WatchFailed)


def test_folder_where_volumes_appear_wakes(tmp_path: Path) -> None:
    signals = FolderSignal([os.fsencode(tmp_path), os.fsencode(tmp_path / "nowhere")])
    try:
        woken = threading.Event()

        def wait() -> None:
            signals.wait(LONG_S)
            woken.set()

        waiting = threading.Thread(target=wait)
        waiting.start()
        (tmp_path / "A001").mkdir()
        assert woken.wait(LONG_S / 2)
        waiting.join()
    finally:
        signals.close()


def test_timer_can_be_woken() -> None:
    signals = TimerSignal()
    signals.wake()
    signals.wait(LONG_S)
    signals.close()


def test_whoever_waits_for_an_event_can_be_woken() -> None:
    """A verdict is told when it is there, and not a quarter of a second later."""
    with Watcher(pace=PACE) as watcher:
        while watcher.next(0.5) is not None:
            pass
        threading.Timer(0.2, watcher.wake).start()
        begun = time.monotonic()
        while watcher.next(LONG_S) is not None:
            pass
        assert time.monotonic() - begun < LONG_S / 2
