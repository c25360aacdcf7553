"""The rows of the table: what is measured, beside what, and what has to be reached."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.bench import answers, made_data, manifest, million, throttled
from tests.bench.answers import find_listing, known_listing, verify_copy, xxhsum_copy
from tests.bench.running import Sample
from tests.bench.steps import (
    CP_TWICE,
    RCLONE_TWICE,
    RSYNC_TWICE,
    Bench,
    Step,
    offload_step,
    shell_step,
    summing,
)


@dataclass(frozen=True, slots=True)
class Goal:
    """One figure of a row.

    Attributes:
        label: with ``{}`` for the figure.
        figure: from our sample and the other's of the same round.
        limit: what has to be reached.
        is_most: the figure must not be above it; else not below.
    """

    label: str
    figure: Callable[[Sample, Sample], float]
    limit: float
    is_most: bool = False

    def is_reached(self, figures: Sequence[float]) -> bool:
        """Whether the whole spread is on the right side."""
        return max(figures) <= self.limit if self.is_most else min(figures) >= self.limit


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; without ``other`` the figures are ours alone."""

    name: str
    title: str
    ours: Step
    other: Step | None
    goals: Sequence[Goal]


def faster(limit: float) -> Goal:
    return Goal("{:.2f}x faster", lambda ours, other: other.elapsed_s / ours.elapsed_s, limit)


def time_of(limit: float) -> Goal:
    return Goal(
        "{:.3f}x its time", lambda ours, other: ours.elapsed_s / other.elapsed_s, limit, True
    )


def _time_beside(ours: Sample, other: Sample) -> float:
    return ours.elapsed_s / other.elapsed_s


def computing(share: float) -> Goal:
    return Goal(
        "{:.3f} of its CPU", lambda ours, other: ours.computing_s / other.computing_s, share, True
    )


def memory(limit_mb: float) -> Goal:
    return Goal("{:.0f} MB at most", lambda ours, _: ours.peak_bytes / 1e6, limit_mb, True)


def seconds(limit_s: float) -> Goal:
    return Goal("{:.3f} s", lambda ours, _: ours.elapsed_s, limit_s, True)


def _large(folder: Path) -> Path:
    return made_data.large_card(folder, 8, 512 << 20)


def _few(folder: Path) -> Path:
    return made_data.large_card(folder, 2, 512 << 20)


def _frames(folder: Path) -> Path:
    return made_data.frames_card(folder, 20_000)


def _many(folder: Path) -> Path:
    return made_data.small_card(folder, 100_000, 4096)


def _help(bench: Bench) -> Sample:
    return bench.offload("--help")


def _status(bench: Bench) -> Sample:
    return bench.offload("status", expected=0)


XXH128 = ("xxh128",)
OURS_LARGE = Step("offload copy", offload_step(_large, checksums=XXH128))
OURS_ONCE = Step("offload copy --card-reads 1", offload_step(_large, checksums=XXH128, once=True))
OURS_DEFAULT = Step("offload copy, xxh128 and c4", offload_step(_large))
OURS_LOOKS = Step("offload copy, clips looked into", offload_step(_large, looks=True))
OURS_FRAMES = Step("offload copy, frames", offload_step(_frames, checksums=XXH128))
OURS_FRAMES_DEFAULT = Step("offload copy, frames, xxh128 and c4", offload_step(_frames))
OURS_MANY = Step("offload copy, 100,000 files", offload_step(_many))
OURS_TWO = Step("offload copy, two drives", offload_step(_few, checksums=XXH128))
OURS_FOUR = Step("offload copy, four drives", offload_step(_few, checksums=XXH128, drives=4))
CP_XXHSUM = Step(
    "cp x2, sync, xxhsum x3", shell_step(_large, CP_TWICE, *summing("xxhsum -H2")), ("xxhsum",)
)
CP_SHA512 = Step("cp x2, sync, sha512sum x3", shell_step(_large, CP_TWICE, *summing("sha512sum")))
RSYNC = Step(
    "rsync -a x2, rsync -acn x2",
    shell_step(_large, RSYNC_TWICE, 'rsync -acn "$CARD/" "$ONE/"', 'rsync -acn "$CARD/" "$TWO/"'),
    ("rsync",),
)
RCLONE = Step(
    "rclone copy x2, check x2",
    shell_step(
        _large, RCLONE_TWICE, 'rclone -q check "$CARD" "$ONE"', 'rclone -q check "$CARD" "$TWO"'
    ),
    ("rclone",),
)
CP_FRAMES = Step("cp -a x2, sync", shell_step(_frames, CP_TWICE))

ROWS = (
    Row(
        "large",
        "8 x 512 MiB, xxh128, card read twice",
        OURS_LARGE,
        CP_XXHSUM,
        (faster(2.2), computing(1 / 6), memory(150)),
    ),
    Row("large-rsync", "the same", OURS_LARGE, RSYNC, (faster(3), computing(1 / 8))),
    Row("large-rclone", "the same", OURS_LARGE, RCLONE, (faster(5),)),
    Row("large-once", "the same, card read once", OURS_ONCE, CP_XXHSUM, (faster(2.5),)),
    Row(
        "large-default",
        "the same, xxh128 and c4",
        OURS_DEFAULT,
        CP_SHA512,
        (faster(2), computing(1 / 3), memory(150)),
    ),
    Row(
        "large-looks",
        "the same, clips looked into (UHD)",
        OURS_LOOKS,
        OURS_DEFAULT,
        (Goal("{:.2f}x the time without", _time_beside, 1.2, True), memory(150)),
    ),
    Row("frames", "20,000 x 100 KB, xxh128", OURS_FRAMES, CP_FRAMES, (time_of(1.2), memory(150))),
    Row(
        "frames-default",
        "20,000 x 100 KB, xxh128 and c4",
        OURS_FRAMES_DEFAULT,
        CP_FRAMES,
        (time_of(1.5), memory(150)),
    ),
    Row(
        "drives",
        "2 x 512 MiB, four drives beside two, all on one disk",
        OURS_FOUR,
        OURS_TWO,
        (
            # Two readings of the card, and each drive written and read: 10 for 6 on one disk.
            time_of(10 / 6),
            Goal(
                "{:+.0f} MB",
                lambda ours, other: (ours.peak_bytes - other.peak_bytes) / 1e6,
                5,
                True,
            ),
        ),
    ),
    Row(
        "slow-card",
        "card 150 MB/s, drives 300 MB/s, 4 GiB",
        throttled.SLOW_CARD,
        throttled.TWO_READINGS,
        (time_of(1.03),),
    ),
    Row(
        "slow-card-once",
        "the same, card read once",
        throttled.SLOW_CARD_ONCE,
        throttled.READING_AND_DRIVE,
        (time_of(1.03),),
    ),
    Row(
        "slow-drives",
        "drives 120 MB/s each, 2 GiB",
        throttled.SLOW_DRIVES,
        throttled.WRITE_AND_READ,
        (time_of(1.05),),
    ),
    Row(
        "slow-one",
        "drives 120 and 24 MB/s, 3 GiB: the fast copy read back",
        throttled.ONE_SLOW,
        throttled.FAST_ALONE,
        (time_of(1.3),),
    ),
    Row(
        "two-cards",
        "two cards at once, readers 150 MB/s",
        throttled.TWO_AT_ONCE,
        throttled.TWO_IN_TURN,
        (faster(1.8),),
    ),
    Row("verify", "10,000 files, 1 GB", verify_copy, xxhsum_copy, (faster(1.5),)),
    Row(
        "verify-large",
        "10,000 files, 40 GB",
        answers.verify_large,
        answers.xxhsum_large,
        (faster(1.5),),
    ),
    Row("listed", "known card of 100,000 files", known_listing, find_listing, (time_of(1.3),)),
    Row(
        "million",
        "1,000,000 files: inventory, ledger, manifest",
        million.OURS,
        million.FIND,
        (time_of(5), memory(250)),
    ),
    Row(
        "manifest",
        "manifest of 1,000,000 entries, c4 and xxh128, read",
        manifest.READ,
        None,
        (seconds(20), memory(100)),
    ),
    Row(
        "history",
        "the same as a history, every file asked for",
        manifest.HISTORY,
        None,
        (memory(250),),
    ),
    Row("memory", "offload of 100,000 files", OURS_MANY, None, (memory(150),)),
    Row("start", "offload --help", Step("offload --help", _help), None, (seconds(0.25),)),
    Row("status", "offload status", Step("offload status", _status), None, (seconds(0.4),)),
)
