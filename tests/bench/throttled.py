"""Devices of known speed: loop devices held to byte rates, so that the best possible time is known.

The card or the drives are the bottleneck by their set rate; what the disk below can do must be
well above it. The loop devices pass memory by: else all that a drive had been given would lie there
and be written out at its flush, by the disk below, which no rate holds.
"""

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.bench import made_data
from tests.bench.running import Sample, drop_caches
from tests.bench.steps import Bench, Step
from tests.lab.images import Rack, Volume
from tests.lab.throttle import throttled

MB = 10**6
_ROOM = 1.04
_SPARE = 64 << 20
_RESERVE = 4 << 30
"""What stays free on a drive and more; the images are sparse."""
_PROGRAM = "tests.lab.loops_as_disks"
_TOOLS = ("losetup", "mkfs.ext4")


@dataclass(frozen=True, slots=True)
class Rates:
    """Bytes a second; 0 is as fast as the disk below, and for the second drive like the first."""

    card: int = 0
    drives: int = 0
    second: int = 0


@contextmanager
def _stage(
    bench: Bench, clips: int, rates: Rates, cards: int = 1
) -> Iterator[tuple[list[Path], list[Path]]]:
    """Mount points of cards with so many large clips, and of two drives, all at their rates."""
    files = _clips(bench, clips)
    size = int(sum(file.stat().st_size for file in files) * _ROOM) + _SPARE
    bench.clear()
    place = Path(tempfile.mkdtemp(prefix="rack-", dir=bench.work))
    rack = Rack(place)
    try:
        made_cards = [rack.volume(name=f"card-{at + 1}", size_bytes=size) for at in range(cards)]
        drives = [
            rack.volume(name=f"shuttle-{at + 1}", size_bytes=size + _RESERVE) for at in range(2)
        ]
        for volume in made_cards:
            for file in files:
                shutil.copyfile(file, volume.root / file.name)
        with ExitStack() as stack:
            for volume in made_cards:
                _hold(stack, volume, rates.card)
            for volume, rate in zip(drives, (rates.drives, rates.second), strict=True):
                _hold(stack, volume, rate or rates.drives)
            drop_caches()
            yield [each.root for each in made_cards], [each.root for each in drives]
    finally:
        rack.close()


def _clips(bench: Bench, count: int) -> list[Path]:
    source = made_data.large_card(bench.folder, 8, 512 << 20) / "CLIPS"
    return sorted(source.iterdir())[:count]


def _hold(stack: ExitStack, volume: Volume, rate: int) -> None:
    subprocess.run(["losetup", "--direct-io=on", volume.device], check=True)
    if rate:
        stack.enter_context(throttled(volume.device, read_bytes_s=rate, write_bytes_s=rate))


def _copy(bench: Bench, card: Path, drives: list[Path], *options: str) -> Sample:
    to = [word for drive in drives for word in ("--to", os.fspath(drive))]
    options = ("--same-drive-ok", "--checksum", "xxh128", *options)
    return bench.offload("copy", card, *to, *options, program=_PROGRAM)


def _one(clips: int, rates: Rates, *options: str) -> Callable[[Bench], Sample]:
    def run(bench: Bench) -> Sample:
        with _stage(bench, clips, rates) as (cards, drives):
            return _copy(bench, cards[0], drives, *options)

    return run


def _at_best(clips: int, *rates: int) -> Callable[[Bench], Sample]:
    """All bytes of the card at each of these rates, one after the other."""

    def work_out(bench: Bench) -> Sample:
        total = sum(file.stat().st_size for file in _clips(bench, clips))
        return Sample(sum(total / rate for rate in rates), 0.0)

    return work_out


def _two_cards(bench: Bench, workers: int) -> Sample:
    with _stage(bench, 2, Rates(card=150 * MB), cards=2) as (cards, _):
        drives = [bench.work / "one", bench.work / "two"]
        for drive in drives:
            drive.mkdir()
        begun = time.perf_counter()
        with ThreadPoolExecutor(workers) as pool:
            jobs = [
                pool.submit(_copy, bench, card, drives, "--roll", f"A00{at + 1}")
                for at, card in enumerate(cards)
            ]
            samples = [job.result() for job in jobs]
        return Sample(time.perf_counter() - begun, sum(each.computing_s for each in samples))


def _until_read_back(bench: Bench) -> Sample:
    """One drive slower than the other: until the fast one's copy has been read back."""
    with _stage(bench, 6, Rates(drives=120 * MB, second=24 * MB)) as (cards, drives):
        to = [word for drive in drives for word in ("--to", os.fspath(drive))]
        words = (cards[0], *to, "--same-drive-ok", "--checksum", "xxh128", "--json")
        return bench.offload_until(b'"drive-read-back"', "copy", *words, program=_PROGRAM)


_CARD = Rates(card=150 * MB, drives=300 * MB)
SLOW_CARD = Step("offload copy, slow card", _one(8, _CARD), _TOOLS)
SLOW_CARD_ONCE = Step(
    "offload copy --card-reads 1, slow card", _one(8, _CARD, "--card-reads", "1"), _TOOLS
)
SLOW_DRIVES = Step("offload copy, slow drives", _one(4, Rates(drives=120 * MB)), _TOOLS)
TWO_READINGS = Step("two readings of the card", _at_best(8, 150 * MB, 150 * MB))
READING_AND_DRIVE = Step("card once, drive once", _at_best(8, 150 * MB, 300 * MB))
WRITE_AND_READ = Step("one drive written and read", _at_best(4, 120 * MB, 120 * MB))
ONE_SLOW = Step("offload copy, one slow drive", _until_read_back, _TOOLS)
FAST_ALONE = Step("the fast drive written and read", _at_best(6, 120 * MB, 120 * MB))
TWO_AT_ONCE = Step("two cards at once", lambda bench: _two_cards(bench, 2), _TOOLS)
TWO_IN_TURN = Step("two cards in turn", lambda bench: _two_cards(bench, 1), _TOOLS)
