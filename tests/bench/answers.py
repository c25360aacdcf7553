"""Copies that are verified, and cards that are known: made once, asked again and again."""

import os
from pathlib import Path

from tests.bench import made_data
from tests.bench.running import Sample, drop_caches, measured
from tests.bench.steps import Bench, Step


def _kept(bench: Bench, name: str, card: Path) -> Path:
    """A folder with ``drive`` and ``home``, from one offload of ``card``."""
    place = bench.folder / name
    if not (place / "done").exists():
        (place / "drive").mkdir(parents=True)
        bench.offload(
            "copy",
            card,
            "--to",
            place / "drive",
            "--copies",
            "1",
            "--same-drive-ok",
            "--checksum",
            "xxh128",
            home=place / "home",
        )
        (place / "done").touch()
    return place


def _verified(bench: Bench) -> tuple[Path, Path]:
    card = made_data.frames_card(bench.folder, 10_000)
    place = _kept(bench, "kept-verify", card)
    (record,) = (place / "drive").rglob("records")
    roll = next(each for each in record.parent.iterdir() if each.name != "records")
    return roll, place / "home"


def _verify(bench: Bench) -> Sample:
    roll, home = _verified(bench)
    drop_caches()
    return bench.offload("verify", roll, home=home)


def _xxhsum(bench: Bench) -> Sample:
    roll, _ = _verified(bench)
    (sums,) = (roll.parent / "records" / roll.name).glob("*.xxh128")
    drop_caches()
    return measured(["sh", "-ec", f"cd '{roll.parent}'; xxhsum -q -c '{os.fspath(sums)}'"])


def _listed(bench: Bench) -> Path:
    """10,000 files of 4 MiB with a list of their checksums, which the peer wrote."""
    place = made_data.small_card(bench.folder, 10_000, 4 << 20)
    sums = place / "SUMS.xxh128"
    if not sums.exists():
        summing = f"cd '{place}'; find . -name '*.dat' -print0 | xargs -0 xxhsum -q -H128 > .sums"
        measured(["sh", "-ec", f"{summing}; mv .sums {sums.name}"])
    drop_caches()
    return place


def _verify_large(bench: Bench) -> Sample:
    place = _listed(bench)
    return bench.offload("verify", place)


def _xxhsum_large(bench: Bench) -> Sample:
    place = _listed(bench)
    return measured(["sh", "-ec", f"cd '{place}'; xxhsum -q -c SUMS.xxh128"])


def _check(bench: Bench) -> Sample:
    card = made_data.small_card(bench.folder, 100_000, 4096)
    place = _kept(bench, "kept-listing", card)
    drop_caches()
    policy = "[copies]\nneeded = 1\nseparate_drives = false\n"
    return bench.offload("check", card, home=place / "home", more=policy)


def _find(bench: Bench) -> Sample:
    card = made_data.small_card(bench.folder, 100_000, 4096)
    drop_caches()
    return measured(["sh", "-c", f"find '{card}' -ls > /dev/null"])


verify_copy = Step("offload verify", _verify)
xxhsum_copy = Step("xxhsum -c", _xxhsum, ("xxhsum",))
known_listing = Step("offload check, known card", _check)
find_listing = Step("find -ls", _find)
verify_large = Step("offload verify", _verify_large)
xxhsum_large = Step("xxhsum -c", _xxhsum_large, ("xxhsum",))
