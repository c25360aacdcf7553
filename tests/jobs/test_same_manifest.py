"""The manifest is made once for all drives that hold the same, and never taken over unchecked."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.jobs.placing import Answered
from offload.jobs.same_manifest import SameManifest
from tests.jobs.scene import Scene, codes, write_card
from tests.lab.images import EXFAT, EXT4, Rack, Volume

pytestmark = pytest.mark.lab

FILES = {f"A001C{at:03}.mov": os.urandom(3000 + at) for at in range(1, 30)}


def manifest_of(drive: Volume) -> bytes:
    (found,) = (drive.root / "A001" / "ascmhl").glob("0001_*.mhl")
    return found.read_bytes()


@pytest.fixture
def copies(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Notes each manifest that is taken from another drive."""
    noted: list[Path] = []
    copy = SameManifest.copy

    def noting(self: SameManifest, out: object, answered: Answered) -> None:
        noted.append(Path(os.fsdecode(self.manifest)))
        copy(self, out, answered)  # type: ignore[arg-type]

    monkeypatch.setattr(SameManifest, "copy", noting)
    return noted


def test_second_drive_gets_the_same_bytes(rack: Rack, tmp_path: Path, copies: list[Path]) -> None:
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, FILES)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    first, *others = [manifest_of(drive) for drive in scene.drives]
    assert others
    assert all(other == first for other in others)
    assert len(copies) == len(others)


def test_drive_with_other_names_gets_its_own(
    rack: Rack, tmp_path: Path, copies: list[Path]
) -> None:
    scene = Scene.make(rack, tmp_path, drives=(EXT4, EXFAT))
    write_card(scene.card, {**FILES, "take: 2.txt": b"said twice"})
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    on_ext4, on_exfat = [manifest_of(drive) for drive in scene.drives]
    assert b"take: 2.txt" in on_ext4
    assert b"take: 2.txt" not in on_exfat
    assert copies == []


def test_manifest_that_changed_on_its_drive_is_made_anew(
    rack: Rack, tmp_path: Path, copies: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def changed(self: SameManifest, answered: Answered) -> Iterator[bytes]:
        yield b"<?xml version='1.0'?>"

    monkeypatch.setattr(SameManifest, "_parts", changed)
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, FILES)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    assert copies
    assert len({manifest_of(drive) for drive in scene.drives}) == 1
    assert b"A001C029.mov" in manifest_of(scene.drives[1])
    for drive in scene.drives:
        assert not list((drive.root / "A001" / "ascmhl").glob(".new-*"))


def test_manifest_that_cannot_be_read_is_made_anew(
    rack: Rack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first drive may fail while the second one's record is written."""
    copy = SameManifest.copy

    def hidden(self: SameManifest, out: object, answered: Answered) -> None:
        history = self.place.drive.root
        folder = os.path.join(self.place.lies_in, b"ascmhl")
        names = os.path.join(folder, self.manifest), os.path.join(folder, b"away")
        os.rename(*names, src_dir_fd=history.fd, dst_dir_fd=history.fd)
        try:
            copy(self, out, answered)  # type: ignore[arg-type]
        finally:
            os.rename(*reversed(names), src_dir_fd=history.fd, dst_dir_fd=history.fd)

    monkeypatch.setattr(SameManifest, "copy", hidden)
    scene = Scene.make(rack, tmp_path)
    write_card(scene.card, FILES)
    outcome = scene.offload()
    assert outcome.verdict.is_cleared, codes(outcome)
    assert len({manifest_of(drive) for drive in scene.drives}) == 1
