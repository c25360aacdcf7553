"""The folder on every drive: always below the drive, always a name that it can hold."""

from datetime import date, datetime, time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.card.folder import Occasion, checked_template, roll_folder, shooting_day
from offload.errors import SettingsError
from offload.values.paths import is_clean
from offload.values.portable import name_fault

DAY = date(2026, 11, 24)
FERRY = Occasion("Night Ferry", DAY, "A001", camera="A", first_day=date(2026, 11, 13))


@pytest.mark.parametrize(
    ("template", "folder"),
    [
        ("{production}/{day}/{roll}", b"Night Ferry/2026-11-24/A001"),
        ("{roll}", b"A001"),
        ("footage/day-{day_number}/{camera}/{roll}", b"footage/day-012/A/A001"),
        ("{{x}}-{day}/{roll}", b"{x}-2026-11-24/A001"),
    ],
)
def test_template_is_filled(template: str, folder: bytes) -> None:
    assert roll_folder(checked_template(template), FERRY) == folder


@pytest.mark.parametrize(
    ("template", "phrase"),
    [
        ("{production}/{unit}/{roll}", "{unit}"),
        ("{production}/{day}", "{roll}"),
        ("{day}/{roll}_{camera}", "{roll}"),
        ("", "{roll}"),
        ("/{roll}", "empty"),
        ("a//{roll}", "empty"),
        ("../{roll}", "dot"),
        ("a:b/{roll}", ":"),
        ("records/{roll}", "taken"),
        ("{day}.incomplete/{roll}", "taken"),
        ("{day/{roll}", "cannot be read"),
        ("{}/{roll}", "unknown field"),
        ("{production.__class__}/{roll}", "unknown field"),
        ("{day!r}/{roll}", "conversion"),
        ("{day:>9}/{roll}", "format"),
        ("{day}/" * 8 + "{roll}", "deep"),
        ("-{day}/{roll}", "dash"),
    ],
)
def test_wrong_template_is_explained(template: str, phrase: str) -> None:
    with pytest.raises(SettingsError) as caught:
        checked_template(template)
    assert phrase in str(caught.value)
    assert "{production}/{day}/{roll}" in caught.value.remedy


@pytest.mark.parametrize(
    ("production", "folder"),
    [
        ("Ferry: Part 2", b"Ferry- Part 2"),
        ("../../etc", b"etc"),
        ("a/b", b"a-b"),
        ("Records", b"Records-"),
        ("NUL", b"_NUL"),
        ("Fa\u0308hre", "Fähre".encode()),
        ("what?.", b"what-"),
        ("x\x1b[2Jy", b"x-[2Jy"),
    ],
)
def test_values_are_made_names(production: str, folder: bytes) -> None:
    made = roll_folder("{production}/{roll}", Occasion(production, DAY, "A001"))
    assert made == folder + b"/A001"


@pytest.mark.parametrize(
    ("template", "occasion", "phrase"),
    [
        ("{production}/{roll}", Occasion("...", DAY, "A001"), "production.name"),
        ("{day_number}/{roll}", Occasion("x", DAY, "A001"), "production.first_day"),
        ("{camera}/{roll}", Occasion("x", DAY, "A001"), "cards.folder"),
    ],
)
def test_field_without_value_is_explained(template: str, occasion: Occasion, phrase: str) -> None:
    with pytest.raises(SettingsError) as caught:
        roll_folder(template, occasion)
    assert phrase in caught.value.remedy


@settings(deadline=None)
@given(st.text(min_size=1), st.text())
def test_folder_never_leaves_the_drive(production: str, camera: str) -> None:
    occasion = Occasion(production, DAY, "A001", camera=camera)
    try:
        made = roll_folder("x{production}{camera}/{production}/{roll}", occasion)
    except SettingsError:
        return
    assert is_clean(made)
    assert [name_fault(part) for part in made.decode().split("/")] == ["", "", ""]


@pytest.mark.parametrize(
    ("moment", "starts", "day"),
    [
        (datetime(2026, 11, 25, 2, 11), time(6, 0), DAY),
        (datetime(2026, 11, 25, 5, 59, 59), time(6, 0), DAY),
        (datetime(2026, 11, 25, 6, 0), time(6, 0), date(2026, 11, 25)),
        (datetime(2026, 11, 25, 0, 0), time(0, 0), date(2026, 11, 25)),
        (datetime(2027, 1, 1, 3, 0), time(6, 0), date(2026, 12, 31)),
    ],
)
def test_night_shoot_is_one_day(moment: datetime, starts: time, day: date) -> None:
    assert shooting_day(moment, starts) == day
