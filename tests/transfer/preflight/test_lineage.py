"""A folder is found inside another by what it is, whatever path leads to it."""

import os
from pathlib import Path

import pytest

from offload.transfer.preflight.lineage import lineage_of
from offload.transfer.preflight.proposal import Place
from tests.lab.images import EXT4, Rack


def lineage(path: Path) -> tuple[Place, ...]:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return lineage_of(descriptor)
    finally:
        os.close(descriptor)


def identity(path: Path) -> Place:
    facts = path.stat()
    return facts.st_dev, facts.st_ino


def test_lineage_leads_to_the_root(tmp_path: Path) -> None:
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    assert lineage(deep) == tuple(identity(each) for each in (deep, *deep.parents))


def test_link_does_not_hide_where_a_folder_lies(tmp_path: Path) -> None:
    real = tmp_path / "card" / "DCIM"
    real.mkdir(parents=True)
    (tmp_path / "drive").symlink_to(real)
    assert identity(tmp_path / "card") in lineage(tmp_path / "drive")


def test_root_has_itself_alone() -> None:
    assert lineage(Path("/")) == (identity(Path("/")),)


def test_no_descriptor_is_left_open(tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd"))
    lineage(tmp_path)
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.lab
def test_mounted_folder_is_told_from_the_place_below(rack: Rack) -> None:
    volume = rack.volume(EXT4)
    bound = rack.bind(volume.root, "bound")
    found = lineage(bound)
    assert found[0] == lineage(volume.root)[0]
    assert found[1] == identity(bound.parent)
