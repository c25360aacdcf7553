"""Clips come back as they were found, and a search finds them by the beginning of a name."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.errors import LedgerError
from offload.ledger import Ledger, cards, clips, rolls
from offload.ledger.clips import KeptClip
from offload.ledger.documents import from_document, to_document
from offload.values.clips import (
    Answers,
    AudioTrack,
    ClipFacts,
    ClipFinding,
    ClipKind,
    ColourTags,
    Complete,
    Container,
    StartTimecode,
    Weight,
)
from offload.values.probed import ChannelLevels, Picture, Probed, SoundLevels
from tests.ledger.conftest import HINTS, NOON

FACTS = ClipFacts(
    Container.MOV,
    "prores",
    "apch",
    "HQ",
    3840,
    2160,
    Fraction(24000, 1001),
    1042,
    Fraction(1042 * 1001, 24000),
    StartTimecode("13:02:11;04", True),
    "A001",
    ColourTags(9, 16, 9, False),
    (AudioTrack("pcm_s24le", 2, 48000, 24, None),),
)
SOUND = SoundLevels(
    (ChannelLevels(-3.0, -20.125, 4, 1000.0, None), ChannelLevels(None, None, copy_of=1)),
    Fraction(3, 2),
    4,
    False,
)
CLIP = KeptClip(
    b"CLIP/A001C001_\xff.mov",
    ClipKind.FILE,
    1,
    2**40,
    Answers(complete=Complete.NO),
    Probed(FACTS, sound=SOUND, picture=Picture(b"\xff\xd8jpeg", 320, 180), bytes_read=5),
    (ClipFinding("clip-unfinished", "never closed", b"x", 7, Weight.HOLD, "index"),),
)


@pytest.fixture
def roll(ledger: Ledger) -> int:
    return new_roll(ledger, "A001")


def new_roll(ledger: Ledger, name: str) -> int:
    card = cards.add(ledger, HINTS, NOON)
    return rolls.add(ledger, rolls.NewRoll(name, card, "K7-4M2P", bytes(16), "N", "d", NOON))


def test_clip_comes_back_and_its_picture_beside(ledger: Ledger, roll: int) -> None:
    clips.keep(ledger, roll, [CLIP])
    (found,) = clips.of_roll(ledger, roll)
    assert found == replace(CLIP, probed=replace(CLIP.probed, picture=None))
    assert clips.picture(ledger, roll, CLIP.path) == CLIP.probed.picture
    assert clips.picture(ledger, roll, b"other") is None


def test_clip_looked_at_again_is_replaced(ledger: Ledger, roll: int) -> None:
    clips.keep(ledger, roll, [CLIP])
    clips.keep(ledger, roll, [replace(CLIP, findings=(), probed=Probed())])
    (found,) = clips.of_roll(ledger, roll)
    assert found.findings == ()
    assert clips.picture(ledger, roll, CLIP.path) == CLIP.probed.picture


def test_picture_that_is_too_large_is_left_out(ledger: Ledger, roll: int) -> None:
    large = Picture(bytes(clips.MOST_PICTURE_BYTES + 1), 320, 180)
    clips.keep(ledger, roll, [replace(CLIP, probed=Probed(picture=large))])
    assert clips.picture(ledger, roll, CLIP.path) is None


def test_clips_are_found_by_the_beginning_of_their_name(ledger: Ledger) -> None:
    one, two = new_roll(ledger, "A001"), new_roll(ledger, "A002")
    for roll, names in ((one, [b"x/A001C001.mov", b"A001C002.mov"]), (two, [b"y/A001C001.mov"])):
        clips.keep(ledger, roll, [replace(CLIP, path=name) for name in names])
    assert sorted(each.roll for each in clips.find(ledger, "A001C001")) == [one, two]
    assert len(clips.find(ledger, "A001")) == 3
    assert clips.find(ledger, "a001") == ()
    assert clips.find(ledger, "A001C001_\\xff") == ()


def test_name_of_stray_bytes_is_found_by_its_text(ledger: Ledger, roll: int) -> None:
    clips.keep(ledger, roll, [CLIP])
    assert [each.clip.path for each in clips.find(ledger, "A001C001_\\xff")] == [CLIP.path]


def test_damaged_clip_is_named_as_damage(ledger: Ledger, roll: int) -> None:
    clips.keep(ledger, roll, [CLIP])
    ledger.change("UPDATE clips SET about = ?", ('{"path": 3}',))
    with pytest.raises(LedgerError, match="damaged"):
        clips.of_roll(ledger, roll)


TEXT = st.text(max_size=8)
SOME = st.none() | st.integers(-(2**63), 2**63)
RATIO = st.none() | st.fractions()
LEVEL = st.none() | st.floats(allow_nan=False)
FACTS_OF_ANY_KIND = st.builds(
    ClipFacts,
    container=st.sampled_from(Container),
    codec=TEXT,
    width=SOME,
    rate=RATIO,
    duration=RATIO,
    timecode=st.none() | st.builds(StartTimecode, TEXT, st.booleans()),
    colour=st.builds(ColourTags, SOME, SOME, SOME, st.none() | st.booleans()),
    audio=st.lists(st.builds(AudioTrack, TEXT, SOME, SOME, SOME, RATIO), max_size=3).map(tuple),
)
PROBED = st.builds(
    Probed,
    facts=FACTS_OF_ANY_KIND,
    findings=st.lists(
        st.builds(ClipFinding, TEXT, TEXT, st.binary(max_size=9), SOME, st.sampled_from(Weight)),
        max_size=3,
    ).map(tuple),
    sound=st.none()
    | st.builds(
        SoundLevels,
        st.lists(st.builds(ChannelLevels, LEVEL, LEVEL), max_size=3).map(tuple),
        st.fractions(),
        st.integers(0, 9),
        st.booleans(),
    ),
)


@settings(max_examples=200, deadline=None)
@given(PROBED)
def test_document_comes_back(probed: Probed) -> None:
    assert from_document(Probed, to_document(probed)) == probed


@settings(max_examples=200, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=4),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["facts", "usable", "findings", "sound", "channels", "rate", "x"]),
                inner,
                max_size=4,
            )
        ),
        max_leaves=12,
    )
)
def test_foreign_document_is_refused_or_fits(found: object) -> None:
    import json

    try:
        made = from_document(Probed, json.dumps(found))
    except ValueError:
        return
    assert from_document(Probed, to_document(made)) == made
