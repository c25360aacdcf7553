"""The card trees are what they claim to be."""

import errno
import os
import stat
from fractions import Fraction
from pathlib import Path

import av
import pytest
from hypothesis import HealthCheck, given, settings

from tests.lab import cards, clips
from tests.lab.cards import Item
from tests.lab.images import EXFAT, Rack


def names_in(folder: Path) -> set[bytes]:
    return set(os.listdir(os.fsencode(folder)))


def test_clip_is_real_prores(tmp_path: Path) -> None:
    """Reference tool: FFmpeg through PyAV; frame mark as SMPTE RDD 36."""
    path = tmp_path / "A001C001.mov"
    clips.write_prores(path, frames=10, timecode="01:00:00:00", reel="A001")
    with av.open(path, format="mov") as container:
        stream = container.streams.video[0]
        assert stream.codec_context.codec_tag == "apch"
        assert stream.frames == 10
        assert stream.average_rate == Fraction(24000, 1001)
        assert stream.metadata["timecode"] == "01:00:00:00"
        assert len(list(container.decode(stream))) == 10
    assert b"icpf" in path.read_bytes()


def test_wave_is_readable(tmp_path: Path) -> None:
    path = tmp_path / "A001S01.wav"
    clips.write_wave(path, seconds=0.1)
    with av.open(path, format="wav") as container:
        assert container.streams.audio[0].codec_context.name == "pcm_s24le"
        assert sum(frame.samples for frame in container.decode(audio=0)) == 4800


def test_roll_has_distinct_clips(tmp_path: Path) -> None:
    cards.write_roll(tmp_path, clip_count=3)
    found = [path.read_bytes() for path in sorted(tmp_path.glob("CLIPS/*.mov"))]
    assert len(found) == 3
    assert len(set(found)) == 3
    assert (tmp_path / "CLIPS/A001C001.mov").stat().st_mtime_ns == cards.SHOT_AT_NS


def test_hostile_tree_is_written_whole(tmp_path: Path) -> None:
    items = cards.write_tree(tmp_path, cards.hostile_tree())
    assert len(items) == len(cards.hostile_tree())
    assert names_in(tmp_path / "NAMES") == set(cards.NAMES)
    assert (tmp_path / "LINKS/hard-1").stat().st_nlink == 2
    modes = {path.name: path.lstat().st_mode for path in (tmp_path / "OTHERS").iterdir()}
    assert stat.S_ISFIFO(modes["pipe"])
    assert stat.S_ISSOCK(modes["socket"])
    assert stat.S_ISCHR(modes["null"])
    assert stat.S_ISBLK(modes["disk"])


def test_deep_file_is_beyond_any_path(tmp_path: Path) -> None:
    """Case F25: a walk by paths cannot reach it."""
    cards.write_tree(tmp_path, cards.hostile_tree())
    with pytest.raises(OSError, match="too long"):
        (tmp_path / "/".join(["d" * 95] * 45) / "deep.mov").stat()


def test_names_are_distinct_and_legal() -> None:
    assert len(set(cards.NAMES)) == len(cards.NAMES)
    assert all(1 <= len(name) <= 255 and not {0, 47} & set(name) for name in cards.NAMES)
    assert any(b"\n" in name for name in cards.NAMES)
    assert any(len(name) == 255 for name in cards.NAMES)


def test_random_tree_repeats_with_its_seed() -> None:
    assert cards.random_tree(7) == cards.random_tree(7)
    assert cards.random_tree(7) != cards.random_tree(8)


def test_random_trees_can_be_written(tmp_path: Path) -> None:
    for seed in range(30):
        root = tmp_path / str(seed)
        items = cards.random_tree(seed, largest_bytes=5000)
        cards.write_tree(root, items)
        for path, content in cards.files_of(items).items():
            with open(os.path.join(os.fsencode(root), path), "rb") as file:
                assert file.read() == content


def test_conflicting_items_are_left_out() -> None:
    file, below = Item(b"A001"), Item(b"A001/clip.mov")
    assert cards.without_conflicts([file, below]) == (file,)
    assert cards.without_conflicts([below, file]) == (below,)


@settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(tree=cards.trees())
def test_every_drawn_tree_can_be_written(
    tree: tuple[Item, ...], tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("tree")
    assert cards.write_tree(root, tree) == list(tree)


@pytest.mark.lab
def test_refused_names_are_left_out_on_request(rack: Rack) -> None:
    volume = rack.volume(EXFAT)
    written = cards.write_tree(volume.root, cards.hostile_tree(), skip_refused=True)
    kinds = {item.kind for item in written}
    assert cards.PIPE not in kinds
    assert any(item.kind == cards.FILE for item in written)
    with pytest.raises(OSError) as refused:
        cards.write_tree(volume.root / "all", cards.hostile_tree())
    assert refused.value.errno == errno.ENOENT, "what exfat-fuse says of a forbidden letter"
