"""A transport stream says nowhere how long it is: whether it was cut only its last units tell.

A unit that fits its last packet exactly looks like one that was cut. Measured on 868 recordings in
good order, made with FFmpeg in several settings: 10 end so. Decoding the last picture tells.
"""

import os
from pathlib import Path

import pytest

from offload.jobs.look_decode import look_into
from offload.jobs.look_structure import check_clip, is_certain
from offload.media.clip_files import group_files
from offload.values.clips import Complete, Weight
from offload.values.entries import Entries, Entry, Kind
from tests.media.made_clips import stream

NAME = b"00001.MTS"
# Zeros behind the last picture with which it fills its last packet exactly.
FITTING = (75, 77)


class _Folder:
    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def open(self, path: bytes) -> int:
        return os.open(self._folder / os.fsdecode(path), os.O_RDONLY)


def _looked_at(folder: Path, streams: dict[bytes, bytes]):
    entries = []
    for name, data in streams.items():
        (folder / os.fsdecode(name)).write_bytes(data)
        entries.append(Entry(name, Kind.FILE, len(data), 0))
    source = _Folder(folder)
    clips = group_files(Entries(entries))
    wanted = [check_clip(clip, source, lambda: False) for clip in clips]
    found = list(look_into(wanted, lambda _clip: source, lambda: False, 60.0))
    return list(zip(wanted, (checked for checked, _probed in found), strict=True))


def _holds(checked) -> list[str]:
    return [each.check for each in checked.findings if each.weight is Weight.HOLD]


@pytest.mark.parametrize("more", FITTING)
def test_last_picture_that_fits_its_packet_is_not_held(tmp_path, more):
    ((before, after),) = _looked_at(tmp_path, {NAME: stream(more=more)})
    assert _holds(before) == ["last-unit-open"]
    assert not any(is_certain(each) for each in before.findings if each.weight is Weight.HOLD)
    assert _holds(after) == []
    assert after.complete is Complete.YES


def test_stream_cut_between_packets_is_held(tmp_path):
    data = stream()
    packets = len(data) // 192
    places = [packets // 2 + at * (packets // 2 - 4) // 30 for at in range(30)]
    cut = {b"%05d.MTS" % (2 * at): data[: 192 * place] for at, place in enumerate(places)}
    answers = [after for _before, after in _looked_at(tmp_path, cut)]
    assert len(answers) == 30
    held = [each for each in answers if _holds(each)]
    assert all(each.complete is Complete.NO for each in held)
    # What ends between two pictures, or in a picture's last bytes, looks whole to everybody.
    assert len(held) >= 24
