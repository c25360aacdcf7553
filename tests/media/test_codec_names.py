"""Codec names: the same codec whether a file or a person says it."""

import pytest

from offload.media.codec_names import CODECS, Codec, codec_of, codec_text, find_codec, is_codec
from offload.values.clips import ClipFacts, Container


def wanted(written: str) -> Codec:
    found = find_codec(written)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("fourcc", "name"),
    [
        # SMPTE RDD 36 with the public registry of sample description codes.
        ("apco", "ProRes 422 Proxy"),
        ("apcs", "ProRes 422 LT"),
        ("apcn", "ProRes 422"),
        ("apch", "ProRes 422 HQ"),
        ("ap4h", "ProRes 4444"),
        ("ap4x", "ProRes 4444 XQ"),
    ],
)
def test_prores_is_named_by_fourcc(fourcc: str, name: str) -> None:
    assert codec_text(ClipFacts(codec="prores", fourcc=fourcc)) == name


@pytest.mark.parametrize(
    ("written", "key"),
    [
        ("ProRes 422 HQ", "prores-422-hq"),
        ("prores hq", "prores-422-hq"),
        ("apch", "prores-422-hq"),
        ("PRORES-422", "prores-422"),
        ("H.264", "h264"),
        ("AVC", "h264"),
        ("h265", "hevc"),
        ("DNxHR HQX", "vc-3-hqx"),
        ("CinemaDNG", "dng"),
    ],
)
def test_spellings_mean_one_codec(written: str, key: str) -> None:
    assert wanted(written).key == key


def test_every_key_finds_itself() -> None:
    assert [wanted(codec.key) for codec in CODECS] == list(CODECS)
    assert [wanted(codec.name) for codec in CODECS] == list(CODECS)


@pytest.mark.parametrize("written", ["", "film", "fourcc:", "fourcc:abc", "fourcc:abcde"])
def test_unknown_names_are_not_guessed(written: str) -> None:
    assert find_codec(written) is None


def test_profile_names_codec_without_fourcc() -> None:
    in_mxf = ClipFacts(Container.MXF, codec="prores", profile="HQ")
    assert is_codec(in_mxf, wanted("apch")) is True
    assert is_codec(in_mxf, wanted("prores")) is True
    assert is_codec(in_mxf, wanted("prores 422")) is False
    assert is_codec(in_mxf, wanted("h264")) is False


def test_unknown_is_never_a_match() -> None:
    assert is_codec(ClipFacts(), wanted("prores")) is None
    assert is_codec(ClipFacts(Container.MXF, codec="prores"), wanted("apch")) is None
    assert is_codec(ClipFacts(), wanted("fourcc:abcd")) is None


def test_foreign_codec_is_compared_by_its_code() -> None:
    foreign = ClipFacts(fourcc="abcd")
    assert codec_of(foreign) is None
    assert is_codec(foreign, wanted("fourcc:abcd")) is True
    assert is_codec(foreign, wanted("fourcc:abce")) is False
    assert is_codec(foreign, wanted("prores")) is False
    assert codec_text(foreign) == "codec 'abcd'"


def test_hostile_codes_are_escaped() -> None:
    assert "\x1b" not in codec_text(ClipFacts(codec="\x1b[2J"))


def test_dng_is_known_by_container() -> None:
    frame = ClipFacts(Container.DNG, codec="tiff")
    assert codec_text(frame) == "DNG frames"
    assert is_codec(frame, wanted("tiff")) is False
