"""What a person types into a plan: sizes, speeds, shares, rasters, ratios."""

import re
from fractions import Fraction

from offload.errors import UsageError
from offload.media.codec_names import CODECS, find_codec
from offload.media.frame_rate import parse_frame_rate
from offload.media.rates import published_codecs
from offload.values.paths import shown

_UNITS = {"": 1, "B": 1, "KB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "PB": 10**15}
_AMOUNT = re.compile(r"\s*([0-9]{1,12}(?:\.[0-9]{1,6})?)\s*([KMGTP]?B)\s*(/\s*s)?\s*", re.I)
_RASTER = re.compile(r"\s*([0-9]{1,5})\s*[x×]\s*([0-9]{1,5})\s*")
_SHARE = re.compile(r"\s*([0-9]{1,3}(?:\.[0-9]{1,3})?)\s*%?\s*")
_NUMBER = re.compile(r"\s*([0-9]{1,9}(?:\.[0-9]{1,6})?)\s*(?::\s*1)?\s*")
_HIGHEST = 10**18


def size(option: str, text: str) -> int:
    """Bytes of ``256GB`` or ``2 TB``; decimal, as cards and drives are sold.

    Raises:
        UsageError: not a size.
    """
    found = _AMOUNT.fullmatch(text)
    if not found or found[3]:
        raise _wrong(option, text, 'a size, such as "256GB" or "2TB"')
    return _bytes(option, text, found)


def speed(option: str, text: str) -> int:
    """Bytes a second of ``400MB/s``; the ``/s`` may be left out.

    Raises:
        UsageError: not a speed, or none at all.
    """
    found = _AMOUNT.fullmatch(text)
    if not found or _bytes(option, text, found) == 0:
        raise _wrong(option, text, 'a speed, such as "400MB/s"')
    return _bytes(option, text, found)


def share(option: str, text: str) -> Fraction:
    """``10`` or ``10%`` as a fraction.

    Raises:
        UsageError: not a share of a hundred.
    """
    found = _SHARE.fullmatch(text)
    if not found:
        raise _wrong(option, text, 'a share of the drive, such as "10%"')
    return Fraction(found[1]) / 100


def number(option: str, text: str) -> Fraction:
    """``12``, ``7.5``, and for a ratio ``12:1``.

    Raises:
        UsageError: not a number.
    """
    found = _NUMBER.fullmatch(text)
    if not found:
        raise _wrong(option, text, 'a number, such as "90" or "12:1"')
    return Fraction(found[1])


def raster(text: str) -> tuple[int, int]:
    """Width and height of ``3840x2160``.

    Raises:
        UsageError: not a raster.
    """
    found = _RASTER.fullmatch(text)
    if not found:
        raise _wrong("--raster", text, 'width and height in pixels, such as "3840x2160"')
    return int(found[1]), int(found[2])


def frame_rate(option: str, text: str) -> Fraction:
    """The exact rate of ``25``, ``23.976`` or ``24000/1001``.

    Raises:
        UsageError: not a frame rate.
    """
    try:
        return parse_frame_rate(text)
    except ValueError as error:
        raise UsageError(f"{option} {shown(text[:40])}: {error}") from error


def codec(text: str) -> str:
    """The key of the codec that a person means.

    Raises:
        UsageError: no codec known here.
    """
    if text in published_codecs():
        return text
    found = find_codec(text)
    if found is None:
        known = ", ".join(dict.fromkeys([*published_codecs(), *(each.key for each in CODECS)]))
        raise UsageError(
            f"--codec {shown(text[:40])}: no codec known here", remedy=f"One of: {known}"
        )
    return found.key


def _bytes(option: str, text: str, found: re.Match[str]) -> int:
    amount = int(Fraction(found[1]) * _UNITS[found[2].upper()])
    if amount > _HIGHEST:
        raise _wrong(option, text, "an amount that there is")
    return amount


def _wrong(option: str, text: str, allowed: str) -> UsageError:
    return UsageError(f"{option} {shown(text[:40])}: this has to be {allowed}")
