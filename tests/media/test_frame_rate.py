"""Frame rates: three spellings, two rates, and nothing silently mended."""

from fractions import Fraction

import pytest

from offload.media.frame_rate import (
    STANDARD_RATES,
    is_same_rate,
    nominal,
    parse_frame_rate,
    rate_text,
)

FILM = Fraction(24000, 1001)


@pytest.mark.parametrize(
    ("written", "exact"),
    [
        ("23.976", FILM),
        ("23.98", FILM),
        (23.976, FILM),
        (23.98, FILM),
        ("24000/1001", FILM),
        ("24", Fraction(24)),
        (24, Fraction(24)),
        (24.0, Fraction(24)),
        ("29.97", Fraction(30000, 1001)),
        ("47.952", Fraction(48000, 1001)),
        ("47.95", Fraction(48000, 1001)),
        ("59.94", Fraction(60000, 1001)),
        ("119.88", Fraction(120000, 1001)),
        (" 50 ", Fraction(50)),
        ("12.5", Fraction(25, 2)),
        ("200", Fraction(200)),
    ],
)
def test_written_rates_are_exact(written: object, exact: Fraction) -> None:
    # The rates are those of SMPTE ST 274, 296 and 2036; the decimal spellings common practice.
    assert parse_frame_rate(written) == exact


@pytest.mark.parametrize(
    ("written", "says"),
    [
        (0, "more than 0"),
        ("0/1", "more than 0"),
        ("24/0", "divided by 0"),
        (-25, "write it as"),
        ("fast", "write it as"),
        ("24 fps", "write it as"),
        (1_000_000, "no camera"),
        (True, "not a frame rate"),
        (None, "not a frame rate"),
        (float("nan"), "write it as"),
        (float("inf"), "write it as"),
    ],
)
def test_impossible_rates_are_refused(written: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_frame_rate(written)


def test_24_is_not_24000_over_1001() -> None:
    assert not is_same_rate(Fraction(24), FILM)
    assert not is_same_rate(Fraction(30), Fraction(30000, 1001))
    assert not is_same_rate(Fraction(60), Fraction(60000, 1001))


def test_container_rounding_is_same_rate() -> None:
    assert is_same_rate(Fraction(2997, 100), Fraction(30000, 1001))
    assert is_same_rate(Fraction(2398, 100), FILM)


def test_named_rates_stay_apart() -> None:
    assert all(nominal(rate) == rate for rate in STANDARD_RATES)
    assert len({nominal(rate) for rate in STANDARD_RATES}) == len(STANDARD_RATES)


def test_unnamed_rate_is_kept() -> None:
    uneven = Fraction(23500, 1001)
    assert nominal(uneven) == uneven


def test_rates_are_shown_with_decimals() -> None:
    assert rate_text(FILM) == "24000/1001 (23.976)"
    assert rate_text(Fraction(25)) == "25"
    assert rate_text(Fraction(60000, 1001)) == "60000/1001 (59.94)"
