"""``python -m tests.lab.station_day``: what is too long for every run of the suite.

A day is compressed: nothing is waited for, cards just come and go. What grows with the number of
cards shows all the same. Source of the figures: proc(5), ``smaps_rollup`` and ``fd``.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from offload.volumes.watch import Pace
from tests.lab import oracle
from tests.lab.footage import write_frame
from tests.lab.images import EXFAT, EXT4, Rack, Volume
from tests.lab.station import Set, Watching
from tests.lab.throttle import throttled

MIB = 1 << 20
# The first cards load modules and fill caches; from there on memory has to stay.
WARM_CARDS = 20
# One block and one inode for each small file; mkfs gives one inode to 16 KiB when left to itself.
EXT4_SMALL_FILES = replace(EXT4, name="ext4-small-files", maker=(*EXT4.maker, "-i", "4096"))
_A_SMALL_FILE_BYTES = 8192


def memory_bytes(pid: int) -> int:
    """What the process holds for itself: private pages, clean or dirty."""
    total = 0
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith(("Private_Clean:", "Private_Dirty:")):
            total += int(line.split()[1]) * 1024
    return total


def descriptors(pid: int, place: Path) -> list[str]:
    """Where the open descriptors lead, those below a folder alone: others mount here too."""
    folder = f"/proc/{pid}/fd"
    found = []
    for entry in os.listdir(folder):
        try:
            found.append(os.readlink(f"{folder}/{entry}"))
        except OSError:
            continue
    return sorted(each for each in found if each.startswith(os.fspath(place)))


def day(rack: Rack, folder: Path, cards: int, *, warm: int = WARM_CARDS) -> dict[str, float]:
    """Cards in and out, two readers, some of them coming back; the figures.

    Raises:
        AssertionError: a card was not answered as it should be, or something has grown.
    """
    station = Set.make(rack, folder)
    slots = [rack.volume(EXT4, name=f"reader-{at}") for at in (1, 2)]
    for slot in slots:
        slot.unmount()
    first_bytes, figures = 0, []
    with Watching(station.installation) as watching:
        pid = watching.child.number
        idle: list[str] = []
        for number in range(1, cards + 1):
            slot = slots[number % 2]
            one_card(watching, station, slot, number)
            figures.append(memory_bytes(pid))
            if number == warm:
                first_bytes, idle = settled_memory(pid), descriptors(pid, folder)
        last_bytes, left = settled_memory(pid), descriptors(pid, folder)
        watching.stop()
    grown = [each for each in left if left.count(each) > idle.count(each)]
    result = {
        "cards": cards,
        "memory_after_warm_mib": round(first_bytes / MIB, 1),
        "memory_at_end_mib": round(last_bytes / MIB, 1),
        "memory_highest_mib": round(max(figures) / MIB, 1),
        "descriptors": len(left),
    }
    assert not grown, f"descriptors left open: {grown}"
    assert last_bytes - first_bytes < 10 * MIB, result
    return result


def one_card(watching: Watching, station: Set, slot: Volume, number: int) -> None:
    """A card that was shot anew is put in, answered, and taken out; every fifth comes back."""
    slot.mount()
    for old in slot.root.rglob("*.mov"):
        old.unlink()
    roll = f"{'AB'[number % 2]}{number:03}"
    clips = slot.root / "CLIPS"
    clips.mkdir(exist_ok=True)
    for clip in (1, 2):
        (clips / f"{roll}C{clip:03}.mov").write_bytes(os.urandom(20_000 + number))
    # What was mounted to fill it is seen and left alone before it settles.
    slot.unmount()
    slot.mount()
    said = watching.wait_verdict(roll, timeout_s=120)
    assert said["verdict"] == "cleared", watching.told()
    station.assert_copied(slot)
    slot.unmount()
    assert watching.wait_for(lambda said: said["type"] == "card-left")["was_safe"]
    if number % 5 == 0:
        slot.mount()
        assert watching.wait_verdict(roll)["is_listed"]
        slot.unmount()
        assert watching.wait_for(lambda said: said["type"] == "card-left")["was_listed_safe"]
    watching.said.clear()
    for drive in station.drives:
        # Small drives for many cards: what was proven is cleared away behind the station's back.
        shutil.rmtree(drive.root / "Night Ferry")


def settled_memory(pid: int) -> int:
    """The lowest of a few looks: threads that are just ending are no growth."""
    looks = []
    for _ in range(5):
        time.sleep(0.5)
        looks.append(memory_bytes(pid))
    return min(looks)


def kills(rack: Rack, folder: Path, moments: int, seed: int) -> dict[str, float]:
    """A station killed at random moments of its work; the next one ends cleared."""
    source = random.Random(seed)
    station = Set.make(rack, folder)
    card = station.card("card", "A001", large=10 * MIB)
    card.mount()
    killed = 0
    for number in range(moments):
        for drive in station.drives:
            shutil.rmtree(drive.root / "Night Ferry", ignore_errors=True)
        card.remount()
        (card.root / "CLIPS" / "A001C009.mov").write_bytes(os.urandom(10 * MIB))
        card.remount()
        with (
            throttled(card.device, read_bytes_s=6 * MIB),
            Watching(station.installation) as watching,
        ):
            watching.wait_for(lambda said: said["type"] == "run-started")
            time.sleep(source.uniform(0.0, 5.0))
            watching.kill()
            killed += 1
        with Watching(station.installation) as watching:
            said = watching.wait_verdict("", timeout_s=120)
            if said["is_listed"] and said["verdict"] == "held":
                raise AssertionError(f"moment {number}: {watching.told()}")
            assert said["verdict"] == "cleared", f"moment {number}: {watching.told()}"
            watching.stop()
        station.assert_copied(card)
        assert oracle.ledger_faults(station.installation.home) == []
    return {"kills": killed}


def back(rack: Rack, folder: Path, files: int) -> dict[str, float]:
    """A card of many files comes back: its listed answer, against one ``find -ls`` of it."""
    station = Set.make(rack, folder, size_bytes=512 * MIB)
    card = rack.volume(EXFAT, name="card", size_bytes=128 * MIB)
    # One clip of many frames, as small as they can be.
    frame = write_frame(folder / "frame.j2c", size=(16, 9)).read_bytes()
    clip = card.root / "A001C001_240501_R1AB"
    clip.mkdir()
    for number in range(files):
        (clip / f"A001C001_{number:07}.j2c").write_bytes(frame)
    card.sync()
    card.unmount()
    card.mount()
    begun = time.monotonic()
    subprocess.run(["find", card.root, "-ls"], check=True, stdout=subprocess.DEVNULL)
    find_s = time.monotonic() - begun
    card.unmount()
    with Watching(station.installation) as watching:
        card.mount()
        assert watching.wait_verdict(timeout_s=600)["verdict"] == "cleared"
        card.unmount()
        watching.wait_for(lambda said: said["type"] == "card-left")
        card.mount()
        # The volume settles by two looks a second apart; from there the answer is counted.
        came = watching.wait_for(lambda said: said["type"] == "volume-came")["seen_at"]
        said = watching.wait_verdict(timeout_s=120)
        assert said["is_listed"]
        # What the watcher's patience takes of it is the same for every card.
        answer_s = said["seen_at"] - came - Pace().quiet_s
    return {"files": files, "find_s": round(find_s, 2), "settled_to_answer_s": round(answer_s, 2)}


def one_folder(rack: Rack, folder: Path, files: int) -> dict[str, float]:
    """A card with so many small frames in one folder, new and coming back; time and memory.

    Raises:
        AssertionError: it was not cleared, or a copy is missing.
    """
    size_bytes = 64 * MIB + files * _A_SMALL_FILE_BYTES
    station = Set.make(rack, folder, size_bytes=size_bytes, fs=EXT4_SMALL_FILES)
    card = rack.volume(EXT4_SMALL_FILES, name="card", size_bytes=size_bytes)
    clip = card.root / "A001C001_261125_NF01"
    clip.mkdir()
    frame = write_frame(folder / "frame.j2c", size=(16, 9)).read_bytes()
    assert len(frame) <= _A_SMALL_FILE_BYTES
    for number in range(files):
        (clip / f"A001C001_261125_{number:07}.j2c").write_bytes(frame)
    card.sync()
    card.unmount()
    with Watching(station.installation) as watching:
        pid = watching.child.number
        card.mount()
        begun = watching.wait_for(lambda said: said["type"] == "run-started", timeout_s=600)
        asked = time.monotonic()
        assert station.installation.run("status", "--json").result["station"]["pid"] == pid
        status_s = time.monotonic() - asked
        ends = ("verdict", "no-verdict")
        said = watching.wait_for(lambda said: said["type"] in ends, timeout_s=3600)
        assert said.get("verdict") == "cleared", watching.told()
        highest = peak_bytes(pid)
        proven = [len(os.listdir(copy)) for copy in copies_of(station, clip.name)]
        assert proven == [files, files]
        card.unmount()
        watching.wait_for(lambda said: said["type"] == "card-left")
        card.mount()
        came = watching.wait_for(lambda said: said["type"] == "volume-came")["seen_at"]
        again = watching.wait_verdict(timeout_s=600)
        assert again["is_listed"]
        watching.stop()
    return {
        "files": files,
        "begun_to_cleared_s": round(said["seen_at"] - begun["seen_at"], 1),
        "memory_highest_mib": round(highest / MIB, 1),
        "status_meanwhile_s": round(status_s, 2),
        "put_back_to_answer_s": round(again["seen_at"] - came, 2),
    }


def copies_of(station: Set, name: str) -> list[Path]:
    """Where a folder of the card lies on the drives, under a finished name."""
    return [
        place
        for drive in station.drives
        for place in drive.root.glob(f"Night Ferry/*/*/{name}")
        if place.parent.suffix == ""
    ]


def peak_bytes(pid: int) -> int:
    """The most that the process ever had in memory, shared pages and all (``VmHWM``)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    raise AssertionError(f"process {pid} tells no VmHWM")


def main() -> int:
    """Run what is asked for; prints the figures."""
    parser = argparse.ArgumentParser(prog="station-lab", description=__doc__)
    parser.add_argument("--day", action="store_true")
    parser.add_argument("--cards", type=int, default=200)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--back", type=int, default=0)
    parser.add_argument("--one-folder", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    # Told to end, it unmounts what it has mounted.
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(128 + number))
    runs = []
    if asked.day:
        runs.append(lambda rack, folder: day(rack, folder, asked.cards))
    if asked.kills:
        runs.append(lambda rack, folder: kills(rack, folder, asked.kills, asked.seed))
    if asked.back:
        runs.append(lambda rack, folder: back(rack, folder, asked.back))
    if asked.one_folder:
        runs.append(lambda rack, folder: one_folder(rack, folder, asked.one_folder))
    for run in runs:
        with tempfile.TemporaryDirectory(prefix="station-lab-", dir="/var/tmp") as place:
            rack = Rack(Path(place))
            try:
                print(run(rack, Path(place)), flush=True)
            finally:
                rack.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
