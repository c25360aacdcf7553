"""Transport streams: marks, counters, tables and last units."""

import io

import pytest
from pymediainfo import MediaInfo

from offload.media import damage
from offload.media.reading import BytesReader
from offload.media.structure import StructureReport, TrackKind
from offload.values.clips import ClipCode, Complete, Weight
from tests.media.made_clips import clip

STAMPED = (("mpegts_m2ts_mode", "1"),)
FORMS = {
    "188": ((), "aac", b"A001C001.ts", 188),
    "192": (STAMPED, "ac3", b"00001.MTS", 192),
}


def _clip(options, sound) -> bytes:
    return clip("mpegts", "libx264", sound, options=options, frames=96)


def _check(data: bytes, file: bytes = b"00001.MTS") -> StructureReport:
    return damage.check(BytesReader(data), file)


def _holds(data: bytes) -> set[tuple[str, str]]:
    found = _check(data).findings
    return {(each.code, each.check) for each in found if each.weight is Weight.HOLD}


@pytest.mark.parametrize(("options", "sound", "file", "length"), FORMS.values(), ids=FORMS)
def test_streams_agree_with_independent_reader(options, sound, file, length):
    # Source: the MediaInfo library.
    data = _clip(options, sound)
    report = _check(data, file)
    assert report.complete is Complete.YES
    assert report.variant == f"{length}-byte packets"
    info = MediaInfo.parse(io.BytesIO(data))
    kinds = {track.kind: track for track in report.tracks}
    assert kinds[TrackKind.PICTURE].number == int(str(info.video_tracks[0].track_id).split()[0])
    assert kinds[TrackKind.PICTURE].codec == "h264"
    assert kinds[TrackKind.SOUND].codec == sound
    # The last picture's own length stands nowhere.
    assert float(report.duration) == pytest.approx(96 * 1001 / 24000, abs=0.1)


@pytest.mark.parametrize(("options", "sound", "file", "length"), FORMS.values(), ids=FORMS)
def test_lost_packet_shows_in_the_counters(options, sound, file, length):
    # ISO/IEC 13818-1, 2.4.3.3: the counter of each stream rises by one.
    data = _clip(options, sound)
    at = len(data) // length // 2 * length
    found = _holds(data[:at] + data[at + length :])
    assert (ClipCode.DAMAGED, "packet-counters") in found


def test_packet_without_its_mark_is_found():
    data = bytearray(_clip(STAMPED, "ac3"))
    data[192 * 100 + 4] = 0
    assert (ClipCode.DAMAGED, "packets") in _holds(bytes(data))


def test_size_that_is_no_number_of_packets():
    assert (ClipCode.CUT_SHORT, "packets") in _holds(_clip(STAMPED, "ac3")[:-100])


def test_stream_without_tables_is_found():
    data = _clip(STAMPED, "ac3")
    without = b"".join(
        data[at : at + 192]
        for at in range(0, len(data), 192)
        if int.from_bytes(data[at + 5 : at + 7], "big") & 0x1FFF
    )
    assert (ClipCode.DAMAGED, "tables") in _holds(without)


def test_long_stream_is_looked_at_in_windows():
    data = _clip(STAMPED, "ac3")
    long = data * (40 * 1024 * 1024 // len(data))
    report = _check(long)
    assert report.bytes_read < 16 * 1024 * 1024
    assert report.heads_checked < len(long) // 192
