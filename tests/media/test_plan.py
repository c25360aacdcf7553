"""Planning: sums against worked values of the published rates."""

import json
from dataclasses import replace
from fractions import Fraction

import pytest

from offload.errors import UsageError
from offload.media.plan import (
    GIGA,
    Plan,
    Recording,
    Shoot,
    Speeds,
    camera_minutes,
    copying_s,
    make_plan,
    proving_s,
    rate_for,
)
from offload.media.rates import Basis, MeasuredClip
from offload.values.clips import ClipFacts, Container

FILM = Fraction(24000, 1001)
MEGA_A_SECOND = 10**6
NORMAL = Recording("prores-422-hq", 1920, 1080, FILM, FILM)
SPEEDS = Speeds(
    card_read=400 * MEGA_A_SECOND,
    drive_write=180 * MEGA_A_SECOND,
    drive_read=200 * MEGA_A_SECOND,
    checksum=1000 * MEGA_A_SECOND,
)
SHOOT = Shoot(camera_minutes_a_day=Fraction(180), days=12)


def plan(recording: Recording = NORMAL, shoot: Shoot = SHOOT, speeds: Speeds = SPEEDS) -> Plan:
    return make_plan(recording, shoot, speeds, rate_for(recording))


@pytest.mark.parametrize(("card_gb", "minutes"), [(128, 92.8), (256, 185.7), (512, 371.4)])
def test_minutes_per_card_in_hd(card_gb: int, minutes: float) -> None:
    # Worked from 176 Mb/s and 2 channels of 2.304 Mb/s, 3 % of the card kept back.
    made = plan(shoot=replace(SHOOT, card_bytes=card_gb * GIGA))
    assert float(made.camera_minutes_per_card) == pytest.approx(minutes, abs=0.05)


def test_minutes_per_card_in_uhd() -> None:
    made = plan(replace(NORMAL, width=3840, height=2160))
    assert float(made.camera_minutes_per_card) == pytest.approx(46.7, abs=0.05)


def test_high_speed_fills_cards_faster() -> None:
    # 200 / (24000/1001) = 8.3417.
    fast = plan(replace(NORMAL, sensor_rate=Fraction(200), channels=0))
    normal = plan(replace(NORMAL, channels=0))
    assert float(fast.speed) == pytest.approx(8.34, abs=0.005)
    faster = normal.camera_minutes_per_card / fast.camera_minutes_per_card
    # The scaled row has more digits than the printed 176.
    assert float(faster) == pytest.approx(8.34, abs=0.01)
    assert float(fast.screen_minutes_per_card) == pytest.approx(
        float(normal.screen_minutes_per_card), rel=2e-3
    )
    assert fast.rate.basis is Basis.SCALED


def test_undercranking_fills_cards_slower() -> None:
    slow = plan(replace(NORMAL, sensor_rate=Fraction(12)))
    assert slow.speed < 1
    assert slow.camera_minutes_per_card > plan().camera_minutes_per_card


def test_offload_time_of_worked_example() -> None:
    # 256 GB, card 400, slowest drive 180 MB/s, read back at 200 MB/s: 23 min 42 s + 21 min 20 s.
    assert round(copying_s(256 * GIGA, SPEEDS)) == 23 * 60 + 42
    assert round(proving_s(256 * GIGA, SPEEDS)) == 21 * 60 + 20


def test_slow_card_leads_second_reading() -> None:
    slow_card = replace(SPEEDS, card_read=100 * MEGA_A_SECOND)
    assert proving_s(GIGA, slow_card) == 10
    assert proving_s(GIGA, replace(slow_card, card_reads=1)) == 5


def test_slow_checksum_leads_both_passes() -> None:
    slow = replace(SPEEDS, checksum=50 * MEGA_A_SECOND)
    assert copying_s(GIGA, slow) == proving_s(GIGA, slow) == 20


def test_bytes_cards_and_drives_add_up() -> None:
    made = plan()
    # 178.304 Mb/s for 180 minutes: 240.7104 GB; a 256 GB card keeps 248.32.
    assert made.bytes_per_day == 240_710_400_000
    assert made.bytes_in_all == 12 * made.bytes_per_day
    assert made.cards_per_day == 1
    # 2.889 TB on drives of 2 TB that keep 13 % free: 2 drives a copy, 2 copies.
    assert made.drives == 4


def test_each_camera_fills_own_cards() -> None:
    assert plan(shoot=replace(SHOOT, cameras=3)).cards_per_day == 3


def test_reserve_can_need_another_drive() -> None:
    kept = replace(SHOOT, drive_bytes=3000 * GIGA, reserve=Fraction(0))
    assert plan(shoot=kept).drives == 2
    assert plan(shoot=replace(kept, reserve=Fraction(3, 10))).drives == 4


def test_ratio_becomes_minutes_a_day() -> None:
    # A film of 15 minutes at 12:1 over 3 days.
    assert camera_minutes(Fraction(15), Fraction(12), 3) == 60


@pytest.mark.parametrize(
    ("film", "ratio", "days"), [(0, 12, 3), (-5, 12, 3), (15, Fraction(1, 2), 3), (15, 12, 0)]
)
def test_impossible_ratios_are_refused(film: int, ratio: Fraction, days: int) -> None:
    with pytest.raises(UsageError):
        camera_minutes(Fraction(film), Fraction(ratio), days)


@pytest.mark.parametrize(
    "wrong",
    [
        {"days": 0},
        {"cameras": 0},
        {"copies": 0},
        {"card_bytes": 0},
        {"drive_bytes": -1},
        {"reserve": Fraction(1)},
        {"camera_minutes_a_day": Fraction(-1)},
        {"camera_minutes_a_day": Fraction(1441)},
    ],
)
def test_impossible_shoots_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        plan(shoot=replace(SHOOT, **wrong))


@pytest.mark.parametrize(
    "wrong",
    [{"width": 0}, {"height": 10**6}, {"playback_rate": 0}, {"sensor_rate": -1}, {"channels": -2}],
)
def test_impossible_recordings_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        plan(replace(NORMAL, **wrong))


@pytest.mark.parametrize("wrong", [{"card_read": 0}, {"drive_write": -1}, {"card_reads": 3}])
def test_impossible_speeds_are_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(UsageError):
        plan(speeds=replace(SPEEDS, **wrong))


def own_clip(width: int = 1920, height: int = 1080, codec: str = "h264") -> MeasuredClip:
    facts = ClipFacts(Container.MOV, codec, width=width, height=height, rate=FILM, frames=240)
    return MeasuredClip(facts, 240 * 500_000)


def test_unpublished_codec_is_measured() -> None:
    recording = replace(NORMAL, codec="h264", sensor_rate=Fraction(25))
    rate = rate_for(recording, [own_clip()])
    assert rate.basis is Basis.MEASURED
    assert rate.bits_per_s == 100_000_000


def test_unknown_rate_is_refused_with_a_way_out() -> None:
    with pytest.raises(UsageError, match="no data rate is known for h264 at 1920x1080") as raised:
        rate_for(replace(NORMAL, codec="h264"), [own_clip(width=1280)])
    assert "test clip" in raised.value.remedy


def test_published_rate_wins_over_measured() -> None:
    clips = [own_clip(codec="prores")]
    assert rate_for(NORMAL, clips).basis is Basis.PUBLISHED


def test_measured_rate_wins_over_picture_area() -> None:
    recording = replace(NORMAL, codec="prores", width=2880, height=2160)
    odd = replace(NORMAL, width=2880, height=2160)
    facts = ClipFacts(
        Container.MOV, "prores", "apch", "HQ", width=2880, height=2160, rate=FILM, frames=24
    )
    assert rate_for(odd).basis is Basis.BY_AREA
    assert rate_for(odd, [MeasuredClip(facts, 24 * 2_000_000)]).basis is Basis.MEASURED
    with pytest.raises(UsageError):
        rate_for(recording)


def test_given_rate_wins() -> None:
    rate = rate_for(NORMAL, given=Fraction(90_000_000))
    assert (rate.bits_per_s, rate.basis) == (90_000_000, Basis.GIVEN)


def test_plan_is_plain_data() -> None:
    shown = json.loads(json.dumps(plan().to_dict()))
    assert shown["rate_basis"] == "published"
    assert shown["bytes_per_day"] == 240_710_400_000
    assert shown["drives"] == 4
