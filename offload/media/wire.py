"""What goes between the daemon and a worker: one JSON object a line, of bounded length.

The worker has read a hostile file and may no longer be what it was. So its answer is read like
anything else from outside: every field has a type, a range and a length, text is escaped again, and
whatever does not fit makes the whole answer void.
"""

import base64
import binascii
import json
import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any, TypeVar

from offload.media.look_request import Depth, LookRequest
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
from offload.values.paths import shown
from offload.values.probed import ChannelLevels, Picture, Probed, SoundLevels

MAX_REQUEST_BYTES = 4096
MAX_REPLY_BYTES = 512 * 1024

_MAX_FINDINGS = 50
_MAX_TEXT = 400
_MAX_LIST = 256
_MAX_NUMBER = 1 << 63
_JPEG_START = b"\xff\xd8\xff"

T = TypeVar("T")


class WireError(ValueError):
    """A line is not what was agreed."""


def request_line(request: LookRequest, computing_s: float) -> bytes:
    """What is asked of a worker, as one line."""
    return _line(
        {
            "container": request.container.value,
            "depth": request.depth.value,
            "picture_width": request.picture_width,
            "with_sound": request.with_sound,
            "is_encrypted": request.is_encrypted,
            "computing_s": computing_s,
        }
    )


def read_request(line: bytes) -> tuple[LookRequest, float]:
    """The request and its computing time.

    Raises:
        WireError: not a request.
    """
    fields = _object(_loaded(line))
    request = LookRequest(
        container=_enum(Container, fields.get("container")),
        depth=_enum(Depth, fields.get("depth")),
        picture_width=_integer(fields.get("picture_width"), 0, 4096),
        with_sound=_boolean(fields.get("with_sound")),
        is_encrypted=_boolean(fields.get("is_encrypted")),
    )
    return request, _number(fields.get("computing_s"))


def reply_line(probed: Probed) -> bytes:
    """What a look gave, as one line."""
    return _line(
        {
            "facts": _facts_out(probed.facts),
            "usable": probed.usable.value,
            "findings": [
                {
                    "code": each.code,
                    "text": each.text[:_MAX_TEXT],
                    "weight": each.weight.value,
                    "check": each.check,
                }
                for each in probed.findings[:_MAX_FINDINGS]
            ],
            "sound": _sound_out(probed.sound),
            "picture": _picture_out(probed.picture),
            "pictures_decoded": probed.pictures_decoded,
            "bytes_read": probed.bytes_read,
        }
    )


def failure_line(reason: str) -> bytes:
    """That a look failed, and why, as one line."""
    return _line({"failed": shown(reason)[:_MAX_TEXT]})


def read_reply(line: bytes, path: bytes) -> Probed | str:
    """What a look at ``path`` gave, or the reason why it failed.

    Raises:
        WireError: not an answer.
    """
    fields = _object(_loaded(line))
    if "failed" in fields:
        return _text(fields["failed"])
    return Probed(
        facts=_facts_in(_object(fields.get("facts"))),
        usable=_enum(Usable, fields.get("usable")),
        findings=tuple(_finding_in(each, path) for each in _list(fields.get("findings"))),
        sound=_optional(fields.get("sound"), _sound_in),
        picture=_optional(fields.get("picture"), _picture_in),
        pictures_decoded=_integer(fields.get("pictures_decoded")),
        bytes_read=_integer(fields.get("bytes_read")),
    )


def _facts_out(facts: ClipFacts) -> dict[str, object]:
    timecode = facts.timecode
    return {
        "container": facts.container.value,
        "codec": facts.codec,
        "fourcc": facts.fourcc,
        "profile": facts.profile,
        "width": facts.width,
        "height": facts.height,
        "rate": _fraction_out(facts.rate),
        "frames": facts.frames,
        "duration": _fraction_out(facts.duration),
        "timecode": [timecode.text, timecode.is_drop] if timecode else None,
        "reel": facts.reel,
        "colour": [
            facts.colour.primaries,
            facts.colour.transfer,
            facts.colour.matrix,
            facts.colour.is_full_range,
        ],
        "audio": [
            [
                track.codec,
                track.channels,
                track.sample_rate_hz,
                track.bits_per_sample,
                _fraction_out(track.duration),
            ]
            for track in facts.audio
        ],
        "time_reference": facts.time_reference,
    }


def _facts_in(fields: dict[str, Any]) -> ClipFacts:
    colour = _list(fields.get("colour"), 4)
    return ClipFacts(
        container=_enum(Container, fields.get("container")),
        codec=_text(fields.get("codec")),
        fourcc=_text(fields.get("fourcc")),
        profile=_text(fields.get("profile")),
        width=_optional(fields.get("width"), _integer),
        height=_optional(fields.get("height"), _integer),
        rate=_optional(fields.get("rate"), _fraction_in),
        frames=_optional(fields.get("frames"), _integer),
        duration=_optional(fields.get("duration"), _fraction_in),
        timecode=_optional(fields.get("timecode"), _timecode_in),
        reel=_text(fields.get("reel")),
        colour=ColourTags(
            _optional(colour[0], _integer),
            _optional(colour[1], _integer),
            _optional(colour[2], _integer),
            _optional(colour[3], _boolean),
        ),
        audio=tuple(_track_in(each) for each in _list(fields.get("audio"))),
        time_reference=_optional(fields.get("time_reference"), _integer),
    )


def _timecode_in(value: object) -> StartTimecode:
    text, is_drop = _list(value, 2)
    return StartTimecode(_text(text), _boolean(is_drop))


def _track_in(value: object) -> AudioTrack:
    codec, channels, rate, bits, duration = _list(value, 5)
    return AudioTrack(
        codec=_text(codec),
        channels=_optional(channels, _integer),
        sample_rate_hz=_optional(rate, _integer),
        bits_per_sample=_optional(bits, _integer),
        duration=_optional(duration, _fraction_in),
    )


def _finding_in(value: object, path: bytes) -> ClipFinding:
    fields = _object(value)
    return ClipFinding(
        code=_text(fields.get("code")),
        text=_text(fields.get("text")),
        path=path,
        weight=_enum(Weight, fields.get("weight")),
        check=_text(fields.get("check")),
    )


def _sound_out(sound: SoundLevels | None) -> dict[str, object] | None:
    if sound is None:
        return None
    return {
        "heard": _fraction_out(sound.heard),
        "windows": sound.windows,
        "is_whole": sound.is_whole,
        "channels": [
            [each.peak_dbfs, each.rms_dbfs, each.clipped, each.tone_hz, each.copy_of]
            for each in sound.channels
        ],
    }


def _sound_in(value: object) -> SoundLevels:
    fields = _object(value)
    return SoundLevels(
        channels=tuple(_channel_in(each) for each in _list(fields.get("channels"))),
        heard=_fraction_in(fields.get("heard")),
        windows=_integer(fields.get("windows")),
        is_whole=_boolean(fields.get("is_whole")),
    )


def _channel_in(value: object) -> ChannelLevels:
    peak, rms, clipped, tone, copy_of = _list(value, 5)
    return ChannelLevels(
        peak_dbfs=_optional(peak, _number),
        rms_dbfs=_optional(rms, _number),
        clipped=_integer(clipped),
        tone_hz=_optional(tone, _number),
        copy_of=_optional(copy_of, _integer),
    )


def _picture_out(picture: Picture | None) -> list[object] | None:
    if picture is None:
        return None
    return [base64.b64encode(picture.jpeg).decode("ascii"), picture.width, picture.height]


def _picture_in(value: object) -> Picture:
    data, width, height = _list(value, 3)
    if not isinstance(data, str):
        raise WireError("a picture is text")
    try:
        jpeg = base64.b64decode(data, validate=True)
    except binascii.Error as error:
        raise WireError("a picture is in base64") from error
    # It goes into a page that a browser shows; nothing but a JPEG may come that far.
    if not jpeg.startswith(_JPEG_START):
        raise WireError("a picture is a JPEG")
    return Picture(jpeg, _integer(width, 1, 4096), _integer(height, 1, 8192))


def _line(fields: dict[str, object]) -> bytes:
    return json.dumps(fields, separators=(",", ":"), allow_nan=False).encode("ascii") + b"\n"


def _loaded(line: bytes) -> object:
    try:
        return json.loads(line)
    except (ValueError, RecursionError) as error:
        raise WireError("not JSON") from error


def _object(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise WireError("not an object")
    return value


def _list(value: object, length: int | None = None) -> list[Any]:
    if not isinstance(value, list) or len(value) > _MAX_LIST:
        raise WireError("not a list")
    if length is not None and len(value) != length:
        raise WireError("a list of another length")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > _MAX_TEXT:
        raise WireError("not a text")
    # Escaped by the worker already: a backslash is left as it is, anything unseen is not.
    return "\\".join(shown(part) for part in value.split("\\"))


def _boolean(value: object) -> bool:
    if not isinstance(value, bool):
        raise WireError("not yes or no")
    return value


def _integer(value: object, low: int = 0, high: int = _MAX_NUMBER) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise WireError("not a whole number in range")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise WireError("not a number")
    if not math.isfinite(value) or abs(value) > _MAX_NUMBER:
        raise WireError("not a number in range")
    return float(value)


def _fraction_out(value: Fraction | None) -> list[int] | None:
    return None if value is None else [value.numerator, value.denominator]


def _fraction_in(value: object) -> Fraction:
    numerator, denominator = _list(value, 2)
    return Fraction(_integer(numerator), _integer(denominator, 1))


def _enum(kind: Callable[[Any], T], value: object) -> T:
    try:
        return kind(value)
    except ValueError as error:
        raise WireError("not one of the values allowed") from error


def _optional(value: object, read: Callable[[Any], T]) -> T | None:
    return None if value is None else read(value)
