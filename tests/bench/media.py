"""Measures looking into clips: clips a second, seconds of sound a second, memory of a worker.

Run by hand: ``python -m tests.bench.media [FOLDER]``. Clips are made in FOLDER (600 MB), or in a
temporary one; they are read from the cache, so what is measured is the looking. Workers give way
to everything else on the machine: on a busy one the rates fall, computing time a look does not.
"""

import os
import sys
import tempfile
import time
from array import array
from collections.abc import Callable
from concurrent.futures import wait
from dataclasses import dataclass, replace
from pathlib import Path

import psutil

from offload.media.look_request import Depth, LookRequest
from offload.media.probe import ProbePool, ProbeRequest
from offload.values.clips import Container, Weight
from tests.lab.footage import Track, noise, write_footage

SECONDS = 12
FRAMES = SECONDS * 24
HD = (1920, 1080)
UHD = (3840, 2160)


@dataclass(frozen=True)
class Case:
    """One kind of clip."""

    name: str
    path: Path
    container: Container


def make(folder: Path) -> list[Case]:
    """One clip of each kind, 12 s with sound."""
    channel = noise(-20, SECONDS)
    pcm, aac, ac3 = (Track([channel, array("i", reversed(channel))], c) for c in CODECS)

    def case(name: str, kind: Container, **how: object) -> Case:
        path = folder / name
        if not path.exists():
            write_footage(path, frames=FRAMES, timecode="10:00:00:00", **how)
        return Case(name, path, kind)

    return [
        case("hd-hq.mov", Container.MOV, size=HD, tracks=[pcm]),
        case("uhd-hq.mov", Container.MOV, size=UHD, tracks=[pcm]),
        case("hd-hq.mxf", Container.MXF, container="mxf", size=HD, tracks=[pcm]),
        case("hd-vc3.mxf", Container.MXF, container="mxf", codec="vc3-sq", size=HD, tracks=[pcm]),
        case("hd-h264.mov", Container.MOV, codec="h264", size=HD, tracks=[aac]),
        case("uhd-h264.mov", Container.MOV, codec="h264", size=UHD, tracks=[aac]),
        case(
            "hd-h264.mts", Container.MPEGTS, container="mpegts", codec="h264", size=HD, tracks=[ac3]
        ),
        case("sound.wav", Container.WAV, container="wav", codec=None, tracks=[pcm]),
    ]


CODECS = ("pcm_s24le", "aac", "ac3")


def request(case: Case, look: LookRequest) -> ProbeRequest:
    """The look at one clip."""
    return ProbeRequest(os.fsencode(case.name), lambda: os.open(case.path, os.O_RDONLY), look)


@dataclass(frozen=True)
class Measured:
    """Of one kind of clip: looks a second with warm workers, and what one look takes."""

    looks_per_s: float
    computing_ms: float
    read_bytes: int
    heard_s: float


def measure(pool: ProbePool, case: Case, rounds: int, look: LookRequest) -> Measured:
    """Look into one clip again and again."""
    wait([pool.submit(request(case, look)) for _ in range(4)])
    first = pool.probe(request(case, look))
    assert not any(each.weight is Weight.HOLD for each in first.findings), first.findings
    used_s, start = computing_s(pool), time.perf_counter()
    done = wait([pool.submit(request(case, look)) for _ in range(rounds)]).done
    elapsed_s = time.perf_counter() - start
    used_s = computing_s(pool) - used_s
    assert all(each.result().findings == first.findings for each in done)
    heard_s = float(first.sound.heard) if first.sound else 0.0
    return Measured(rounds / elapsed_s, 1000 * used_s / rounds, first.bytes_read, heard_s)


def computing_s(pool: ProbePool) -> float:
    """Computing time of all workers so far."""
    times = [psutil.Process(pid).cpu_times() for pid in pool.pids()]
    return sum(each.user + each.system for each in times)


def largest(pool: ProbePool) -> float:
    """Most memory that a worker has held, MiB."""
    peaks = [psutil.Process(pid).memory_full_info() for pid in pool.pids()]
    return max(peak.rss for peak in peaks) / 2**20


def report(
    title: str, workers: int, cases: list[Case], asked: Callable[[Case], LookRequest]
) -> None:
    """One table; the last column is seconds of sound heard in a second of computing."""
    print(f"\n{title}, {workers} workers")
    print("clip               MB  looks/s  CPU ms  MB read  MiB held  heard s  sound s/s")
    for case in cases:
        with ProbePool(workers) as pool:
            found = measure(pool, case, 24, asked(case))
            held = largest(pool)
            silent_ms = measure(pool, case, 24, replace(asked(case), with_sound=False)).computing_ms
        size = case.path.stat().st_size
        listening_ms = found.computing_ms - silent_ms
        speed = 1000 * found.heard_s / listening_ms if found.heard_s and listening_ms > 0 else 0
        print(
            f"{case.name:<14}{size / 1e6:>7.1f}{found.looks_per_s:>9.1f}{found.computing_ms:>8.0f}"
            f"{found.read_bytes / 1e6:>9.1f}{held:>10.0f}{found.heard_s:>9.1f}{speed:>11.0f}"
        )


def main(folder: Path) -> None:
    """All tables."""
    cases = make(folder)
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    report("quick look", 2, cases, lambda case: LookRequest(case.container))
    report(
        "without sound", 2, cases[:-1], lambda case: LookRequest(case.container, with_sound=False)
    )
    start = time.perf_counter()
    with ProbePool(1) as pool:
        pool.probe(request(cases[-1], LookRequest(Container.WAV)))
        cold_s = time.perf_counter() - start
        start = time.perf_counter()
        full = pool.probe(request(cases[0], LookRequest(Container.MOV, Depth.FULL)))
        full_s = time.perf_counter() - start
    print(f"\nfirst look of a cold pool {cold_s * 1000:.0f} ms")
    print(f"every picture of {cases[0].name}: {full.pictures_decoded / full_s:.0f} a second")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made:
            main(Path(made))
