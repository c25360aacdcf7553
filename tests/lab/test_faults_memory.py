"""Runs within a control group of 200 MB: thousands of files, one larger than the bound, faults.

The bound is the kernel's: what the program and its workers hold counts, and so do the pages of all
that they read and write, which are given up under pressure (``tests.lab.memory``).
"""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.stations import DiskStation
from tests.lab import memory, oracle
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import Rack, Volume
from tests.lab.memory import MemoryGroup
from tests.lab.processes import Done

pytestmark = pytest.mark.lab

LIMIT_BYTES = 200 << 20
MANY = 4_000
LARGE_BYTES = 260 << 20


def filled(rack: Rack, files: int, large_bytes: int = 0) -> Volume:
    """A card of small files, and a large one where asked for."""
    card = rack.volume(name="card", size_bytes=512 << 20)
    (card.root / "lost+found").rmdir()
    for number in range(files):
        path = card.root / f"CLIPS/A001C{number // 500:03}/A001_{number:06}.dpx"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(os.urandom(1_000 + number % 4_000))
    if large_bytes:
        block = os.urandom(1 << 20)
        with (card.root / "CLIPS/A001C099.mov").open("wb") as file:
            for at in range(large_bytes >> 20):
                file.write(at.to_bytes(4, "little") + block[4:])
    card.sync()
    return card


def copy_within(group: MemoryGroup, station: DiskStation, card: Path, roots: list[Path]) -> Done:
    """The command in the group, from its first instruction on."""
    to = [word for root in roots for word in ("--to", str(root))]
    words = ("copy", str(card), *to, "--roll", "A001", "--json")
    with station.start(*words, is_held=True) as child:
        group.add(child.number)
        child.go()
        done = child.finish(timeout_s=300)
    assert not group.was_exceeded(), done.err
    done.assert_no_traceback()
    return done


def test_thousands_of_files_and_a_large_one_are_cleared_within_the_bound(
    rack: Rack, tmp_path: Path
) -> None:
    """Clips are looked into as well, in workers that count within the bound."""
    card = filled(rack, MANY, LARGE_BYTES)
    station = DiskStation(tmp_path / "station", '[copies]\nreserve = "0 B"\n')
    drives = [rack.volume(name=f"shuttle-{at}", size_bytes=512 << 20) for at in (1, 2)]
    with memory.bounded(LIMIT_BYTES) as group:
        done = copy_within(group, station, card.root, [drive.root for drive in drives])
        # The pages of a file larger than the bound went through it.
        assert group.peak_bytes() > LIMIT_BYTES // 2
    held = {hold["code"] for hold in done.result["holds"]}
    assert all(code.startswith("clip-") for code in held), done.result
    assert [copy["verified"] for copy in done.result["copies"]] == [MANY + 1, MANY + 1]
    truth = oracle.content_of(card.root)
    assert oracle.drives_with_copy([drive.root for drive in drives], truth) == 2


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(Fault("write", "flip_in", path=r".*\.dpx", count=0), id="every file differs"),
        pytest.param(Fault("read", path=r".*\.dpx", count=0), id="no file can be read back"),
        pytest.param(Fault("create", errno="ENOSPC", nth=700, count=0), id="full"),
    ],
)
def test_thousand_faults_are_told_within_the_bound(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs], fault: Fault
) -> None:
    files = 1_000
    card = filled(rack, files)
    station = DiskStation(tmp_path / "station")
    faulty, good = faulty_disk("shuttle-1"), rack.volume(name="shuttle-2")
    faulty.plan(fault)
    truth = oracle.content_of(card.root)
    with memory.bounded(LIMIT_BYTES) as group:
        done = copy_within(group, station, card.root, [faulty.root, good.root])
        assert done.code == 1, done.err
        assert done.result["verdict"] == "held"
        assert oracle.drives_with_copy([good.root], truth) == 1
        faulty.plan()
        done = copy_within(group, station, card.root, [faulty.root, good.root])
    assert done.result["verdict"] == "cleared", done.result
    assert oracle.drives_with_copy([faulty.backing, good.root], truth) == 2
