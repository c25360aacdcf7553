"""Whole clips, however many files: what their parts say, put together."""

import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from offload.media import clip_looks
from offload.media.clip_files import group_files
from offload.media.clip_looks import answers_of, start_look
from offload.media.damage import check
from offload.media.look_request import Depth
from offload.media.probe import ProbePool
from offload.media.reading import DescriptorReader
from offload.media.structure import StructureReport
from offload.values.clips import (
    AsOrdered,
    Clip,
    ClipCode,
    ClipFiles,
    ClipKind,
    Complete,
    Container,
    Copied,
    Usable,
    Weight,
)
from offload.values.entries import Entries, Entry, Kind
from offload.values.probed import Probed
from tests.lab.footage import FILM, Track, noise, silence, write_footage, write_frame


@pytest.fixture(scope="module")
def pool() -> Iterator[ProbePool]:
    with ProbePool(2) as made:
        yield made


class Card:
    """A folder standing for a card."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def entries(self) -> Entries:
        files = sorted(path for path in self.root.rglob("*") if path.is_file())
        return Entries(
            Entry(os.fsencode(path.relative_to(self.root)), Kind.FILE, path.stat().st_size)
            for path in files
        )

    def open(self, path: bytes) -> int:
        return os.open(os.path.join(os.fsencode(self.root), path), os.O_RDONLY)

    def reports(self) -> dict[bytes, StructureReport]:
        found = {}
        for entry in self.entries():
            descriptor = self.open(entry.path)
            found[entry.path] = check(DescriptorReader(descriptor), entry.path)
            os.close(descriptor)
        return found

    def look(self, pool: ProbePool, clip: Clip, depth: Depth = Depth.QUICK) -> Probed:
        return start_look(pool, clip, self.open, self.reports(), depth).result()

    def clip(self, kind: ClipKind, container: Container) -> Clip:
        """All files of the folder as one clip."""
        entries = self.entries()
        return Clip(entries.path(0), kind, container, ClipFiles(entries, range(len(entries))))


def test_grouped_clips_are_looked_into(pool: ProbePool, tmp_path: Path) -> None:
    for number in (1, 2):
        write_footage(
            tmp_path / f"A001C00{number}.mov",
            timecode="10:00:00:00",
            reel="A001",
            tracks=[Track([noise(-20)])],
        )
    card = Card(tmp_path)
    clips = group_files(card.entries())
    assert len(clips) == 2
    for clip in clips:
        probed = card.look(pool, clip)
        assert probed.findings == ()
        assert (probed.facts.reel, probed.facts.frames) == ("A001", 48)
        answers = answers_of(probed, card.reports()[clip.path])
        assert (answers.complete, answers.usable) == (Complete.YES, Usable.YES)


def test_frames_are_first_middle_and_last(pool: ProbePool, tmp_path: Path) -> None:
    for number in range(20):
        write_frame(tmp_path / f"A001C001.{number:06}.dpx", size=(64, 36))
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.FRAMES, Container.DPX))
    assert probed.findings == ()
    assert probed.pictures_decoded == 3
    assert (probed.facts.frames, probed.facts.width, probed.facts.height) == (20, 64, 36)
    assert probed.picture is not None


def test_single_frame_is_a_clip(pool: ProbePool, tmp_path: Path) -> None:
    write_frame(tmp_path / "A001C001.000001.dpx", size=(64, 36))
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.FRAMES, Container.DPX))
    assert (probed.facts.frames, probed.usable) == (1, Usable.YES)


def test_damaged_last_frame_is_told(pool: ProbePool, tmp_path: Path) -> None:
    for number in range(5):
        write_frame(tmp_path / f"f.{number:03}.dpx", size=(64, 36))
    os.truncate(tmp_path / "f.004.dpx", 3000)
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.FRAMES, Container.DPX))
    assert probed.usable is Usable.NO
    assert {each.path for each in probed.findings} == {b"f.004.dpx"}


def test_frames_of_two_sizes_are_told(pool: ProbePool, tmp_path: Path) -> None:
    for number in range(3):
        write_frame(tmp_path / f"f.{number:03}.dpx", size=(64, 36 + 2 * number))
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.FRAMES, Container.DPX))
    (finding,) = probed.findings
    assert "differ in size: 64x36 and 64x38 and 64x40" in finding.text
    assert finding.weight is Weight.NOTICE


def test_spanned_parts_are_one_length(pool: ProbePool, tmp_path: Path) -> None:
    channels = [noise(-20), silence()]
    for number in (1, 2, 3):
        write_footage(
            tmp_path / f"0000{number}.mov",
            frames=48 if number < 3 else 24,
            timecode="10:00:00:00" if number == 1 else "11:00:00:00",
            tracks=[Track(channels)],
        )
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.SPANNED, Container.MOV))
    facts = probed.facts
    assert facts.frames == 120
    assert facts.duration == Fraction(120) / FILM
    assert facts.timecode is not None
    assert facts.timecode.text == "10:00:00:00"
    assert facts.audio[0].duration == 6
    assert probed.sound is not None
    assert probed.sound.heard == 6
    assert probed.sound.channels[0].rms_dbfs == pytest.approx(-20 + 3.01 - 4.77, abs=0.1)
    assert probed.sound.channels[1].peak_dbfs is None


def test_group_puts_tracks_side_by_side(pool: ProbePool, tmp_path: Path) -> None:
    # SMPTE ST 390 keeps each essence in a file of its own; separate files of one track each stand
    # for that here, because FFmpeg's writer of that form makes one track only.
    write_footage(tmp_path / "A_v.mxf", container="mxf", timecode="10:00:00:00")
    for number in (1, 2):
        write_footage(
            tmp_path / f"B_a{number}.wav",
            container="wav",
            codec=None,
            tracks=[Track([noise(-20 * number, seed=number)])],
        )
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.ESSENCE_GROUP, Container.MXF))
    assert probed.findings == ()
    assert (probed.facts.codec, probed.facts.width) == ("prores", 320)
    assert len(probed.facts.audio) == 2
    assert probed.sound is not None
    assert [round(each.peak_dbfs or 0) for each in probed.sound.channels] == [-20, -40]


def test_unknown_codec_takes_facts_from_structure(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A001C001.mov", timecode="10:00:00:00")
    path.write_bytes(path.read_bytes().replace(b"apch", b"zzzz"))
    card = Card(tmp_path)
    clip = card.clip(ClipKind.FILE, Container.MOV)
    probed = card.look(pool, clip)
    assert (probed.facts.fourcc, probed.facts.width, probed.facts.height) == ("zzzz", 320, 180)
    assert [each.code for each in probed.findings] == [ClipCode.OPAQUE]
    answers = answers_of(probed, card.reports()[clip.path])
    assert answers.usable is Usable.UNKNOWN


def test_lying_suffix_is_read_as_what_it_is(pool: ProbePool, tmp_path: Path) -> None:
    write_footage(
        tmp_path / "A001C001.mov", container="wav", codec=None, tracks=[Track([noise(-20)])]
    )
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.FILE, Container.MOV))
    assert probed.usable is Usable.YES
    assert probed.facts.container is Container.WAV


def test_missing_file_is_unchecked(pool: ProbePool, tmp_path: Path) -> None:
    write_footage(tmp_path / "A001C001.mov")
    card = Card(tmp_path)
    clip = card.clip(ClipKind.FILE, Container.MOV)
    reports = card.reports()
    (tmp_path / "A001C001.mov").unlink()
    probed = start_look(pool, clip, card.open, reports).result()
    assert "could not be opened: no such file" in probed.unchecked
    assert answers_of(probed, None).usable is Usable.UNKNOWN


def test_answers_stay_apart(pool: ProbePool, tmp_path: Path) -> None:
    assert answers_of(None, None).complete is Complete.UNKNOWN
    write_footage(tmp_path / "A001C001.mov", frames=12)
    card = Card(tmp_path)
    clip = card.clip(ClipKind.FILE, Container.MOV)
    report = card.reports()[clip.path]
    answers = answers_of(None, report, Copied.YES, AsOrdered.NO)
    assert (answers.copied, answers.complete) == (Copied.YES, Complete.YES)
    assert (answers.usable, answers.as_ordered) == (Usable.UNKNOWN, AsOrdered.NO)


def test_fewer_pictures_are_not_complete(pool: ProbePool, tmp_path: Path) -> None:
    path = write_footage(tmp_path / "A001C001.mxf", container="mxf", frames=50)
    os.truncate(path, int(path.stat().st_size * 0.9))
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.FILE, Container.MXF))
    assert answers_of(probed, None).complete is Complete.NO


def test_parts_beyond_bound_leave_clip_open(
    pool: ProbePool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clip_looks, "MAX_PARTS", 2)
    for number in range(3):
        write_footage(tmp_path / f"{number}.mov", frames=4)
    card = Card(tmp_path)
    probed = card.look(pool, card.clip(ClipKind.SPANNED, Container.MOV))
    assert (probed.facts.frames, probed.facts.duration) == (None, None)
    assert probed.usable is Usable.UNKNOWN
    assert "it has 3 parts, 2 were looked into" in probed.unchecked
