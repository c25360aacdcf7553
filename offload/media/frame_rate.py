"""Exact frame rates: how people write them, how they are compared, how they are shown.

Rates are fractions everywhere (SMPTE ST 274, 296 and 2036 family: N and N x 1000/1001). 23.976,
23.98 and 24 are three inputs and two rates: taking 24 for 24000/1001 drifts 3.6 s an hour.
"""

import re
from fractions import Fraction

_PULL_DOWN = Fraction(1000, 1001)
_FAMILY = (24, 25, 30, 48, 50, 60, 72, 90, 96, 100, 120, 240)
_PULLED = (24, 30, 48, 60, 72, 90, 96, 120, 240)

STANDARD_RATES: tuple[Fraction, ...] = tuple(
    sorted([Fraction(n) for n in _FAMILY] + [n * _PULL_DOWN for n in _PULLED])
)
"""Rates that have a name; anything else is compared and shown as it is."""

HIGHEST_RATE = 100_000
"""Above any camera that records to a card; a larger number is a slip of the pen."""

# Some containers can only say 2997/100 or 2398/100. The nearest two named rates lie 1000 parts in
# a million apart, the coarsest common rounding (23.98) is 166 parts off.
_ROUNDING = Fraction(200, 1_000_000)

_FRACTION = re.compile(r"\s*(\d{1,9})\s*/\s*(\d{1,9})\s*", re.ASCII)
_DECIMAL = re.compile(r"\s*(\d{1,9}(?:\.\d{1,9})?)\s*", re.ASCII)


def parse_frame_rate(value: object) -> Fraction:
    """The exact rate that somebody means by ``25``, ``23.976``, ``"23.98"`` or ``"24000/1001"``.

    Raises:
        ValueError: not a number, zero, negative or above any camera; the text says which.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError("not a frame rate")
    rate = _parsed(str(value))
    if rate <= 0:
        raise ValueError("a frame rate is more than 0")
    if rate > HIGHEST_RATE:
        raise ValueError(f"no camera records more than {HIGHEST_RATE} frames a second")
    return rate


def nominal(rate: Fraction) -> Fraction:
    """The named rate that a rounded one stands for (2997/100 for 30000/1001), else ``rate``."""
    nearest = min(STANDARD_RATES, key=lambda known: abs(known - rate))
    return nearest if abs(nearest - rate) <= nearest * _ROUNDING else rate


def is_same_rate(left: Fraction, right: Fraction) -> bool:
    """Whether two rates are one, however a container had to round them."""
    return nominal(left) == nominal(right)


def rate_text(rate: Fraction) -> str:
    """For a screen: ``25``, ``24000/1001 (23.976)``, ``25/2 (12.5)``."""
    if rate.denominator == 1:
        return str(rate.numerator)
    return f"{rate.numerator}/{rate.denominator} ({decimal_text(rate)})"


def decimal_text(rate: Fraction) -> str:
    """The rate in at most three decimals, without trailing zeros."""
    return f"{float(rate):.3f}".rstrip("0").rstrip(".")


def _parsed(text: str) -> Fraction:
    if found := _FRACTION.fullmatch(text):
        if int(found[2]) == 0:
            raise ValueError("a frame rate cannot be divided by 0")
        return Fraction(int(found[1]), int(found[2]))
    if found := _DECIMAL.fullmatch(text):
        exact = Fraction(found[1])
        return nominal(exact) if exact.denominator > 1 else exact
    raise ValueError('write it as "25", "23.976" or "24000/1001"')
