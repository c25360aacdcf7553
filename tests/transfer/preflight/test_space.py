"""Room is counted as the drive counts it: what is let through fits, also on real file systems."""

import os
import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.transfer.preflight.existing import Existing, Use
from offload.transfer.preflight.file_systems import FAT_LARGEST, kind_of
from offload.transfer.preflight.problems import size_text
from offload.transfer.preflight.space import (
    LARGEST_RESERVE,
    SMALLEST_RESERVE,
    SpaceNeed,
    space_needed,
)
from offload.values.entries import Entries, Entry, Kind
from tests.lab.images import EXFAT, EXT4, NTFS, FileSystem, Rack

MIB = 1 << 20


def files(*sizes: int) -> Entries:
    return Entries(Entry(b"DCIM/C%05d.MOV" % at, Kind.FILE, size) for at, size in enumerate(sizes))


def need(
    entries: Entries, fs_type: str = "exfat", cluster: int = 4096, **more: object
) -> SpaceNeed:
    return space_needed(entries, kind_of(fs_type), cluster, **more)  # type: ignore[arg-type]


def test_small_files_take_whole_clusters() -> None:
    # 100 files of 10 KiB on clusters of 1 MiB: 1 MB on paper, 100 MiB on the drive.
    assert need(files(*[10 << 10] * 100), cluster=MIB).content_bytes == 100 * MIB


@pytest.mark.parametrize(
    ("size", "taken"), [(0, 0), (1, 4096), (4096, 4096), (4097, 8192), (10 << 30, 10 << 30)]
)
def test_file_is_rounded_up(size: int, taken: int) -> None:
    assert need(files(size)).content_bytes == taken


def test_folders_and_names_take_room() -> None:
    flat = need(Entries([Entry(b"a", Kind.FILE)]))
    deep = need(Entries([Entry(b"x/y/z/a", Kind.FILE)]))
    assert deep.folder_bytes == flat.folder_bytes + 3 * 4096
    assert (flat.names + 3, flat.content_bytes) == (deep.names, deep.content_bytes)
    assert need(Entries([Entry(b"x", Kind.FOLDER)])).folder_bytes == 2 * 4096
    many = need(Entries(Entry(b"%06d" % at, Kind.FILE) for at in range(10_000)))
    # exFAT specification 7.6: at least three entries of 32 bytes a file.
    assert many.folder_bytes >= 10_000 * 96


def test_what_is_there_already_takes_nothing_more() -> None:
    entries = files(5 * MIB, 7 * MIB)
    resumed = need(entries, existing=Existing(Use.GO_ON, b"\x01\x00"))
    assert resumed.content_bytes == 7 * MIB
    proven = need(entries, existing=Existing(Use.PROVE, b"\x01\x01"))
    assert proven.content_bytes == 0
    assert proven.record_bytes == need(entries).record_bytes


def test_links_and_pipes_take_nothing() -> None:
    entries = Entries([Entry(b"l", Kind.LINK, 99), Entry(b"p", Kind.PIPE, 99)])
    assert (need(entries).content_bytes, need(entries).names) == (0, need(Entries()).names)


def test_largest_file_of_the_file_system() -> None:
    # "File System Functionality Comparison": 4 GiB less one byte on FAT32.
    entries = files(FAT_LARGEST, FAT_LARGEST + 1)
    assert need(entries, "vfat").too_large == (b"DCIM/C00001.MOV",)
    assert need(entries, "exfat").too_large == ()
    assert need(entries, "nfs4", largest_file_bytes=1000).too_large == (
        b"DCIM/C00000.MOV",
        b"DCIM/C00001.MOV",
    )


def test_reserve_grows_with_the_card_within_bounds() -> None:
    assert need(files(1)).reserve_bytes == SMALLEST_RESERVE
    assert need(files(100 << 30)).reserve_bytes == (100 << 30) // 200
    assert need(files(10 << 40)).reserve_bytes == LARGEST_RESERVE
    assert need(files(1), reserve_bytes=7).reserve_bytes == 7


def test_nonsense_cluster_is_survived() -> None:
    assert need(files(1), cluster=0).content_bytes == 512


@settings(deadline=None)
@given(st.lists(st.integers(0, 1 << 50), max_size=20), st.sampled_from([512, 4096, MIB]))
def test_never_less_than_the_bytes_themselves(sizes: list[int], cluster: int) -> None:
    wanted = need(files(*sizes), cluster=cluster)
    assert wanted.content_bytes >= sum(sizes)
    assert wanted.content_bytes < sum(sizes) + cluster * (len(sizes) + 1)
    assert wanted.total_bytes > wanted.content_bytes


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1000, "1.0 kB"),
        (999_949, "999.9 kB"),
        (999_950, "1.0 MB"),
        (118_400_000_000, "118.4 GB"),
        (10**18, "1000.0 PB"),
    ],
)
def test_sizes_are_shown_in_powers_of_a_thousand(size: int, text: str) -> None:
    assert size_text(size) == text


def _tree(seed: int, count: int) -> Entries:
    chance = random.Random(seed)
    found = {}
    for at in range(count):
        depth = chance.randrange(4)
        folder = b"/".join(b"folder %02d" % chance.randrange(6) for _ in range(depth))
        long_name = b"n" * chance.choice([1, 20, 200]) + b"%04d" % at
        path = folder + b"/" + long_name if folder else long_name
        found[path] = Entry(path, Kind.FILE, chance.choice([0, 1, 100, 5000, 70_000]))
    return Entries(found.values())


def _write(root: Path, entries: Entries) -> None:
    for entry in entries:
        place = os.path.join(os.fsencode(root), entry.path)
        os.makedirs(os.path.dirname(place), exist_ok=True)
        with open(place, "wb") as file:
            file.write(b"x" * entry.size_bytes)


def _free(root: Path) -> tuple[int, int, int]:
    told = os.statvfs(root)
    return told.f_bavail * told.f_frsize, told.f_frsize, told.f_favail


@pytest.mark.lab
@pytest.mark.parametrize(
    ("image", "options"),
    [
        (EXT4, ()),
        (EXFAT, ("-c", "4K")),
        (EXFAT, ("-c", "128K")),
        (NTFS, ()),
    ],
    ids=["ext4", "exfat-4k", "exfat-128k", "ntfs"],
)
def test_real_drive_takes_no_more_than_foretold(
    rack: Rack, image: FileSystem, options: tuple[str, ...]
) -> None:
    volume = rack.volume(image, size_bytes=192 * MIB, make_options=options)
    entries = _tree(7, 800)
    before, cluster, inodes = _free(volume.root)
    foretold = need(entries, image.kind, cluster)
    _write(volume.root, entries)
    volume.sync()
    after, _, inodes_left = _free(volume.root)
    used = before - after
    assert used <= foretold.content_bytes + foretold.folder_bytes
    # Not by being absurdly careful either: at most half as much again, and the estimates' floor.
    assert foretold.content_bytes + foretold.folder_bytes <= used * 1.5 + 4 * MIB
    if image is EXT4:
        assert inodes - inodes_left <= foretold.names


@pytest.mark.lab
def test_real_exfat_with_large_clusters_is_refused_in_time(rack: Rack) -> None:
    # Measured with a plain copy: 59 MiB free, sum 1 MB, stops after 59 files with an empty 60th.
    volume = rack.volume(EXFAT, size_bytes=64 * MIB, make_options=("-c", "1M"))
    free, cluster, _ = _free(volume.root)
    assert cluster == MIB
    foretold = need(files(*[10 << 10] * 100), cluster=cluster)
    assert foretold.total_bytes > free
    assert foretold.content_bytes == 100 * MIB


@pytest.mark.lab
def test_real_drive_that_just_fits_is_filled(rack: Rack) -> None:
    volume = rack.volume(EXFAT, size_bytes=64 * MIB, make_options=("-c", "32K"))
    free, cluster, _ = _free(volume.root)
    entries = files(*[1_000_000] * 300)
    fitting = max(
        count
        for count in range(len(entries) + 1)
        if need(files(*[1_000_000] * count), cluster=cluster).total_bytes <= free
    )
    assert 40 < fitting < 64
    _write(volume.root, files(*[1_000_000] * fitting))
    volume.sync()
    assert _free(volume.root)[0] >= SMALLEST_RESERVE
