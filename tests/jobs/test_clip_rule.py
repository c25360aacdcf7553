"""Which files of unknown suffix are looked into as clips, by the card's layout."""

import pytest

from offload.card.layout import recognise
from offload.jobs.look_kept import clip_rule
from offload.media.clip_files import group_files
from offload.values.entries import Entries, Entry, Kind

FOLDER = b"DCIM/100ABCDE/"


def _clips(*names: bytes) -> list[bytes]:
    files = [Entry(FOLDER + name, Kind.FILE, 0, 0) for name in sorted(names)]
    folders = [Entry(b"DCIM", Kind.FOLDER, 0, 0), Entry(FOLDER[:-1], Kind.FOLDER, 0, 0)]
    entries = Entries([*folders, *files])
    found = group_files(entries, is_clip=clip_rule(recognise(entries)))
    return [clip.path.removeprefix(FOLDER) for clip in found]


@pytest.mark.parametrize("suffix", ["THM", "LRV", "SRT", "XMP", "XML", "AAE", "BIN", "thm"])
def test_side_file_is_no_clip_even_when_empty(suffix):
    # Common practice, no source: cameras leave side files empty in good order.
    assert _clips(b"ABCD0001.MP4", b"ABCD0001." + suffix.encode()) == [b"ABCD0001.MP4"]


def test_recording_of_unknown_suffix_is_a_clip():
    assert _clips(b"ABCD0001.XYZ", b"ABCD0002.CRM") == [b"ABCD0001.XYZ", b"ABCD0002.CRM"]
