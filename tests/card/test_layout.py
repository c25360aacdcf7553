"""Which volumes are cards, which of their files are clips, and what is no card at all."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.card.layout import Medium, built_in_rules, clip_paths, recognise, rules
from offload.errors import SettingsError
from offload.values.entries import Entries, Entry, Kind


def listed(*paths: str) -> Entries:
    """A trailing slash makes an empty folder."""
    return Entries(
        Entry(path.rstrip("/").encode(), Kind.FOLDER if path.endswith("/") else Kind.FILE)
        for path in paths
    )


def names(entries: Entries) -> list[str]:
    found = recognise(entries)
    return [rule.name for rule in found.rules] if found else []


# DCF: JEITA CP-3461 / CIPA DC-009. AVCHD: published descriptions of its folder tree.
# Everything else here: common practice, no source.
CARDS = {
    "dcf": listed("DCIM/100ABCDE/ABCD0001.JPG", "MISC/AUTPRINT.MRK"),
    "avchd": listed(
        "PRIVATE/AVCHD/BDMV/INDEX.BDM",
        "PRIVATE/AVCHD/BDMV/CLIPINF/00000.CPI",
        "PRIVATE/AVCHD/BDMV/STREAM/00000.MTS",
    ),
    "essence-folders": listed("CONTENTS/CLIP/0001AB.XML", "CONTENTS/VIDEO/0001AB.MXF"),
    "rolls": listed("A001C001_240501_R2AB.mov", "A001C002_240501_R2AB.mov"),
    "frames": listed("take 1/take_000001.dng", "take 1/take_000002.dng"),
    "sound": listed("20240501/T001.WAV", "20240501/T002.WAV", "REPORT.CSV"),
}


@pytest.mark.parametrize("name", CARDS)
def test_card_is_recognised(name: str) -> None:
    assert names(CARDS[name]) == [name]


@pytest.mark.parametrize("name", CARDS)
def test_letter_case_of_a_driver_does_not_matter(name: str) -> None:
    swapped = Entries(Entry(each.path.swapcase(), each.kind) for each in CARDS[name])
    assert names(swapped) == [name]


@pytest.mark.parametrize(
    ("name", "clips"),
    [
        ("dcf", ["DCIM/100ABCDE/ABCD0001.JPG"]),
        ("avchd", ["PRIVATE/AVCHD/BDMV/STREAM/00000.MTS"]),
        ("essence-folders", ["CONTENTS/VIDEO/0001AB.MXF"]),
        ("rolls", ["A001C001_240501_R2AB.mov", "A001C002_240501_R2AB.mov"]),
        ("frames", ["take 1/take_000001.dng", "take 1/take_000002.dng"]),
        ("sound", ["20240501/T001.WAV", "20240501/T002.WAV"]),
    ],
)
def test_clips_are_told_from_side_files(name: str, clips: list[str]) -> None:
    found = recognise(CARDS[name])
    assert found is not None
    assert [path.decode() for path in clip_paths(found, CARDS[name])] == clips
    assert found.clip_files == len(clips)


@pytest.mark.parametrize(
    "paths",
    [
        ("AVCHD/BDMV/STREAM/00000.m2ts",),
        ("A001/A001C001_240501_R2AB.mov",),
        ("A001R2AB/A001C001_240501_R2AB/A001C001_240501_R2AB.mxf",),
        ("A001_R2AB/reel.mov",),
        ("A001C001_240501_R2AB/A001C001_240501_R2AB.0000123.tif",),
        ("XFOLDER/Clip/0001.MXF", "XFOLDER/Clip/0001.XML"),
        ("M4/CLIP/C0001.MP4", "M4/CLIP/C0001M01.XML"),
        ("NF-T001.wav", "SOUND.TXT"),
        ("DCIM/DRONE_001/FLIGHT_0001.MP4",),
    ],
)
def test_other_common_trees_are_cards(paths: tuple[str, ...]) -> None:
    found = recognise(listed(*paths))
    assert found is not None
    assert not found.is_without_clip


@pytest.mark.parametrize(
    "paths",
    [
        (),
        ("holiday.mov", "letter.txt"),
        ("Music/song.wav", "Music/cover.psd"),
        ("clip/party.mp4",),
        ("Photos/IMG_0001.dng",),
        ("Documents/A001.pdf", "Documents/DCIM.txt"),
        ("Backup/phone/files/DCIM/100ABCDE/ABCD0001.JPG",),
        ("Night Ferry/2026-11-24/A001/A001C001.mov",),  # a drive with copies on it
        ("DCIM",),  # a file of that name
    ],
)
def test_other_volumes_are_no_cards(paths: tuple[str, ...]) -> None:
    assert recognise(listed(*paths)) is None


@pytest.mark.parametrize(
    "paths",
    [
        ("DCIM/",),
        ("DCIM/100ABCDE/",),
        ("DCIM/100ABCDE/index.dat",),
        ("PRIVATE/AVCHD/BDMV/STREAM/", "PRIVATE/AVCHD/BDMV/INDEX.BDM"),
        ("CONTENTS/CLIP/", "CONTENTS/VIDEO/", "CONTENTS/AUDIO/"),
    ],
)
def test_known_layout_without_a_clip_is_told(paths: tuple[str, ...]) -> None:
    found = recognise(listed(*paths))
    assert found is not None
    assert found.is_without_clip


def test_two_layouts_on_one_card_join_their_clips() -> None:
    # A camcorder's card: DCIM made and left empty, the recordings in AVCHD.
    found = recognise(listed("DCIM/", "PRIVATE/AVCHD/BDMV/STREAM/00000.MTS"))
    assert found is not None
    assert [rule.name for rule in found.rules] == ["dcf", "avchd"]
    assert not found.is_without_clip


def test_sound_beside_pictures_is_a_cameras_card() -> None:
    found = recognise(listed("A001C001.mov", "A001C001.wav"))
    assert found is not None
    assert found.medium is Medium.CAMERA


def test_recorders_trash_does_not_hide_it() -> None:
    found = recognise(listed("T001.wav", ".Trashes/501/old.tmp"))
    assert found is not None
    assert found.medium is Medium.SOUND


def test_links_and_pipes_are_no_clips() -> None:
    entries = Entries(
        [
            Entry(b"DCIM/100ABCDE/ABCD0001.MOV", Kind.LINK),
            Entry(b"DCIM/100ABCDE/ABCD0002.MOV", Kind.PIPE),
        ]
    )
    found = recognise(entries)
    assert found is not None
    assert found.is_without_clip


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=60), max_size=8))
def test_any_names_can_be_looked_at(paths: list[bytes]) -> None:
    entries = Entries(Entry(path, Kind.FILE) for path in paths)
    found = recognise(entries)
    if found:
        assert found.clip_files == len(list(clip_paths(found, entries)))


def test_names_of_a_card_are_never_patterns() -> None:
    found = recognise(
        listed("DCIM/100ABCDE/[ABC0001].MOV", "DCIM/100ABCDE/*.MOV", "DCIM/{a}/x.mov")
    )
    assert found is not None
    assert found.clip_files == 3


def test_every_rule_names_its_source() -> None:
    assert all(rule.source and rule.title for rule in built_in_rules())


OWN = {
    "name": "house",
    "signs": [["REELS/", "REELS/*.idx"]],
    "clips": ["REELS/**/*.rec"],
}


def test_settings_add_a_rule() -> None:
    known = rules([OWN])
    found = recognise(listed("REELS/a.idx", "REELS/b/c.rec"), known)
    assert found is not None
    assert (found.title, found.clip_files) == ("house", 1)
    assert recognise(listed("REELS/b/c.rec"), known) is None
    assert recognise(CARDS["dcf"], known) is not None


def test_settings_replace_a_rule_of_ours() -> None:
    strict = {**OWN, "name": "dcf", "ignore_case": False}
    known = rules([strict])
    assert recognise(CARDS["dcf"], known) is None
    assert recognise(listed("REELS/a.idx", "reels/c.rec"), known) is not None
    assert recognise(listed("reels/a.idx"), known) is None


@pytest.mark.parametrize(
    ("change", "phrase"),
    [
        ({"clip": []}, "unknown key 'clip'"),
        ({"name": ""}, "lacks 'name'"),
        ({"name": "a b"}, "letters, digits"),
        ({"signs": []}, "lacks 'signs'"),
        ({"signs": ["REELS/"]}, "lists"),
        ({"signs": [[]]}, "empty list"),
        ({"clips": "*.rec"}, "lists"),
        ({"clips": [1]}, "something else than text"),
        ({"clips": ["REELS/"]}, "for folders"),
        ({"clips": ["/a"]}, "empty part"),
        ({"clips": ["a/../b"]}, "part . or .."),
        ({"clips": ["{a,b"]}, "without '}'"),
        ({"clips": ["a}"]}, "without '{'"),
        ({"clips": ["{a{b}}"]}, "inside"),
        ({"clips": ["[a"]}, "without ']'"),
        ({"clips": ["[^a]"]}, "ranges"),
        ({"clips": ["[z-a]"]}, "backwards"),
        ({"clips": ["a*b*c*d*e"]}, "'*'"),
        ({"clips": ["x" * 201]}, "200"),
        ({"clips": ["a"] * 65}, "64"),
        ({"medium": "film"}, "'film'"),
        ({"only": "wav"}, "list"),
        ({"ignore_case": 1}, "true or false"),
        ({"title": 5}, "text"),
        ({"name": "\x1b[2J"}, "\\x1b"),
    ],
)
def test_wrong_rule_is_explained(change: dict[str, object], phrase: str) -> None:
    with pytest.raises(SettingsError) as caught:
        rules([{**OWN, **change}])
    assert phrase in str(caught.value)
    assert "\x1b" not in str(caught.value)
    assert caught.value.remedy


def test_wrong_number_or_shape_of_rules_is_explained() -> None:
    with pytest.raises(SettingsError, match="twice"):
        rules([OWN, OWN])
    with pytest.raises(SettingsError, match="at most 64"):
        rules([OWN] * 65)
    with pytest.raises(SettingsError, match="no table"):
        rules(["dcf"])  # type: ignore[list-item]


def test_pattern_of_one_rule_cannot_stall_the_rest() -> None:
    # Three stars in a part are what is allowed; the longest name a card can have is 255 characters.
    slow = {"name": "slow", "signs": [["*a*a*b"]], "clips": ["*a*a*b"]}
    assert recognise(Entries([Entry(b"a" * 255, Kind.FILE)]), rules([slow])) is None
