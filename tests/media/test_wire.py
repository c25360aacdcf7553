"""Between daemon and worker: what goes out comes in again, and nothing else does."""

import json
from dataclasses import fields
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.media.look_request import Depth, LookRequest
from offload.media.wire import (
    MAX_REPLY_BYTES,
    MAX_REQUEST_BYTES,
    WireError,
    failure_line,
    read_reply,
    read_request,
    reply_line,
    request_line,
)
from offload.values.clips import (
    AudioTrack,
    ClipFacts,
    ClipFinding,
    ColourTags,
    Container,
    StartTimecode,
    Usable,
    Weight,
)
from offload.values.probed import ChannelLevels, Picture, Probed, SoundLevels

PROBED = Probed(
    facts=ClipFacts(
        container=Container.MOV,
        codec="prores",
        fourcc="apch",
        profile="HQ",
        width=3840,
        height=2160,
        rate=Fraction(24000, 1001),
        frames=240,
        duration=Fraction(1001, 100),
        timecode=StartTimecode("10:00:00;00", True),
        reel="A001 \\x1b",
        colour=ColourTags(9, 14, 9, False),
        audio=(AudioTrack("pcm_s24le", 2, 48000, 24, Fraction(10)), AudioTrack("", None)),
        time_reference=172_800_000,
    ),
    usable=Usable.NO,
    findings=(ClipFinding("clip-undecodable", "why", b"A\n.mov", None, Weight.NOTE, "decode"),),
    sound=SoundLevels(
        (ChannelLevels(-20.5, -23.25, 3, 1000.0, 1), ChannelLevels(None, None)),
        Fraction(6),
        4,
        False,
    ),
    picture=Picture(b"\xff\xd8\xff\xe0jpeg", 320, 180),
    pictures_decoded=3,
    bytes_read=123_456,
)


def test_answers_arrive_whole() -> None:
    assert read_reply(reply_line(PROBED), b"A\n.mov") == PROBED
    assert read_reply(reply_line(Probed()), b"") == Probed()


def test_every_field_is_carried() -> None:
    # A new field that is not put on the wire would arrive empty.
    default = Probed()
    assert all(getattr(PROBED, f.name) != getattr(default, f.name) for f in fields(Probed))
    empty = ClipFacts()
    assert all(getattr(PROBED.facts, f.name) != getattr(empty, f.name) for f in fields(ClipFacts))


@pytest.mark.parametrize("container", list(Container))
@pytest.mark.parametrize("depth", list(Depth))
def test_requests_arrive_whole(container: Container, depth: Depth) -> None:
    request = LookRequest(container, depth, 640, False, True)
    line = request_line(request, 31.5)
    assert len(line) <= MAX_REQUEST_BYTES
    assert read_request(line) == (request, 31.5)


def test_failures_arrive_escaped() -> None:
    assert read_reply(failure_line("a\x1b[2J" + "b" * 1000), b"") == "a\\x1b[2J" + "b" * 392


def test_largest_answer_is_in_bounds() -> None:
    long = "\x1b" * 120
    probed = Probed(
        findings=tuple(ClipFinding(long, long * 4, check=long) for _ in range(500)),
        sound=SoundLevels(tuple([ChannelLevels(-1.23456789, -2.3)] * 64), Fraction(1), 1, True),
        picture=Picture(b"\xff\xd8\xff" + bytes(128 * 1024), 320, 180),
    )
    assert len(reply_line(probed)) < MAX_REPLY_BYTES


def spoiled(path: str, value: object) -> bytes:
    """The good answer with one value replaced."""
    answer: Any = json.loads(reply_line(PROBED))
    place = answer
    *parents, last = path.split(".")
    for key in parents:
        place = place[int(key) if key.isdigit() else key]
    place[int(last) if last.isdigit() else last] = value
    return json.dumps(answer).encode()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("facts", None),
        ("facts", []),
        ("facts.container", "exe"),
        ("facts.codec", None),
        ("facts.codec", "x" * 5000),
        ("facts.width", -1),
        ("facts.width", 1.5),
        ("facts.width", True),
        ("facts.width", "1920"),
        ("facts.width", 1 << 70),
        ("facts.rate", [24000, 0]),
        ("facts.rate", [24000]),
        ("facts.rate", "24"),
        ("facts.timecode", ["10:00:00:00"]),
        ("facts.colour", []),
        ("facts.audio", [[]]),
        ("facts.audio", [["x", 2, 48000, 24, None]] * 300),
        ("usable", "yes"),
        ("findings", {}),
        ("findings.0.weight", "cleared"),
        ("findings.0.code", 7),
        ("sound.heard", None),
        ("sound.is_whole", 1),
        ("sound.channels.0.0", "-20"),
        ("picture", ["<script>", 320, 180]),
        ("picture", ["PHNjcmlwdD4=", 320, 180]),
        ("picture", ["/9j/4A==", 0, 180]),
        ("picture.1", 100_000),
        ("pictures_decoded", None),
        ("bytes_read", -5),
    ],
)
def test_wrong_answers_are_void(path: str, value: object) -> None:
    with pytest.raises(WireError):
        read_reply(spoiled(path, value), b"")


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e999"])
def test_numbers_that_are_none_are_void(number: str) -> None:
    line = reply_line(PROBED).replace(b"-20.5", number.encode())
    with pytest.raises(WireError):
        read_reply(line, b"")


def test_hostile_text_is_escaped_on_arrival() -> None:
    read = read_reply(spoiled("facts.reel", "\x1b[2J\u202e\\x41"), b"")
    assert isinstance(read, Probed)
    assert read.facts.reel.isprintable()


@given(st.binary(max_size=200))
def test_noise_is_void(line: bytes) -> None:
    for read in (lambda: read_reply(line, b""), lambda: read_request(line)):
        with pytest.raises(WireError):
            read()


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(), st.lists, max_leaves=20))
def test_any_json_is_void(value: object) -> None:
    with pytest.raises(WireError):
        read_reply(json.dumps({"facts": value}).encode(), b"")


def test_deep_nesting_is_void() -> None:
    with pytest.raises(WireError):
        read_reply(b"[" * 100_000, b"")
