"""``offload plan`` as its user meets it: tables, measured clips, measured offloads, wrong words."""

import json
import os
from fractions import Fraction
from pathlib import Path

import pytest

from offload.ledger import cards, clips, copies, drives, inventories, offloads, rolls
from offload.ledger.database import Ledger
from offload.values.clips import ClipFacts, ClipKind, Container
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Policy
from offload.values.inventory import Inventory
from offload.values.probed import Probed
from offload.values.verdict import Answer
from tests.lab.processes import Done, Station

SECOND = 10**9
GIGA = 10**9
HD = ("--codec", "prores-422-hq", "--raster", "1920x1080", "--rate", "23.976")


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path / "station", '[production]\nname = "Night Ferry"\n')


def planned(station: Station, *words: str) -> dict[str, object]:
    done = run(station, *words, "--json")
    assert done.code == 0, done.err
    found: dict[str, object] = json.loads(done.out.splitlines()[-1])
    return found


def run(station: Station, *words: str) -> Done:
    done = station.run("plan", *words)
    done.assert_no_traceback()
    return done


def test_card_lasts_as_published_rate_says(station: Station) -> None:
    # 176 Mb/s at 1920x1080 and 24000/1001 (published table), 2 channels of 24 bits at 48 kHz are
    # 2.304 Mb/s, 3 % of a card kept back: 256e9 x 0.97 x 8 / 178.304e6 / 60 = 185.7 min.
    found = planned(station, *HD, "--minutes", "90")
    assert found["rate_basis"] == "published"
    assert found["camera_minutes_per_card"] == 185.7
    assert found["bytes_per_day"] == 120_355_200_000


def test_high_speed_fills_card_8_34_times_as_fast(station: Station) -> None:
    # 200 / (24000/1001) = 8.3417, worked by hand.
    found = planned(station, *HD, "--sensor-rate", "200", "--minutes", "10")
    assert round(float(str(found["speed"])), 2) == 8.34
    assert found["channels"] == 0
    said = run(station, *HD, "--sensor-rate", "200", "--minutes", "10").out
    assert "filling a card 8.34 times as fast" in said


def test_drives_hold_all_copies_and_reserve(station: Station) -> None:
    # 90 min x 12 days are 1.444 TB; a drive of 1 TB takes 0.87 TB (3 % kept back, 10 % reserve):
    # two drives for each of three copies.
    found = planned(
        station, *HD, "--minutes", "90", "--days", "12", "--drive", "1TB", "--copies", "3"
    )
    assert found["drives"] == 6


def test_film_and_ratio_give_minutes_of_day(station: Station) -> None:
    found = planned(station, *HD, "--film", "15", "--ratio", "12:1", "--days", "4")
    assert found["camera_minutes_per_day"] == 45.0


def test_hours_at_given_speeds(station: Station) -> None:
    # Worked example: 256 GB less 3 % = 248.32 GB; copying at 180 MB/s 1379.6 s, proving at 180 MB/s
    # (the slower of drive and card) 1379.6 s.
    found = planned(
        station, *HD, "--minutes", "90", "--card-speed", "400MB/s", "--drive-speed", "180MB/s"
    )
    assert found["offload_s_per_card"] == 2759
    assert found["speeds_source"] == "given"


def test_hours_are_left_open_without_speed(station: Station) -> None:
    assert planned(station, *HD, "--minutes", "90")["offload_s_per_day"] is None
    assert "not known" in run(station, *HD, "--minutes", "90").out


def test_own_clips_are_measured_where_nothing_is_published(station: Station) -> None:
    # 2 clips of 240 frames with 1,000,000 bytes a frame: 24,000,000 bytes a second at 24.
    add_roll(station, [clip(b"A001C001.mov"), clip(b"A001C002.mov")], production="Night Ferry")
    words = ("--codec", "h264", "--raster", "1920x1080", "--rate", "24", "--minutes", "1")
    found = planned(station, *words, "--channels", "0")
    assert found["rate_basis"] == "measured"
    assert found["rate_bits_per_s"] == 24_000_000 * 8
    assert "2 clips of this production" in run(station, *words).out


def test_clips_of_another_production_are_not_measured(station: Station) -> None:
    add_roll(station, [clip(b"A001C001.mov")], production="Day Ferry")
    words = ("--codec", "h264", "--raster", "1920x1080", "--rate", "24", "--minutes", "1")
    done = run(station, *words)
    assert done.code == 2
    assert "no data rate is known for h264" in done.err
    assert planned(station, *words, "--data-rate", "100")["rate_basis"] == "given"


def test_pace_of_offloads_gives_hours(station: Station) -> None:
    # 10 GB in 100 s from start to verdict: 90 minutes of 120.36 GB take 1204 s.
    add_roll(station, [], production="Night Ferry", size=10 * GIGA, elapsed_s=100)
    found = planned(station, *HD, "--minutes", "90")
    assert found["offload_s_per_day"] == 1204
    assert found["speeds_source"] == "measured in 1 offload of this station"


def test_run_that_found_most_on_its_drives_is_not_measured(station: Station) -> None:
    add_roll(station, [], production="Night Ferry", size=10 * GIGA, elapsed_s=1, written=GIGA)
    assert planned(station, *HD, "--minutes", "90")["offload_s_per_day"] is None


def test_brief_says_what_is_not_given(tmp_path: Path) -> None:
    brief = '[brief]\ncodec = "ProRes 422 HQ"\nraster = "1920x1080"\nframe_rate = "24000/1001"\n'
    station = Station(tmp_path / "station", brief + "audio_channels = 4\n")
    found = planned(station, "--minutes", "90")
    assert (found["codec"], found["playback_rate"]) == ("prores-422-hq", "24000/1001")
    assert found["channels"] == 4


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "--codec is needed"),
        ((*HD,), "how much is recorded is not clear"),
        ((*HD, "--minutes", "90", "--film", "3"), "how much is recorded is not clear"),
        ((*HD, "--minutes", "90", "--card", "big"), "--card big: this has to be a size"),
        ((*HD, "--minutes", "90", "--card-speed", "0MB/s"), "--card-speed"),
        ((*HD, "--minutes", "90", "--reserve", "95%"), "a reserve is 0 to 90 per cent"),
        ((*HD, "--minutes", "9000"), "a camera's day has 1440 minutes"),
        ((*HD, "--film", "3", "--ratio", "0:1"), "a shooting ratio is 1"),
        (("--codec", "\x1b[31m", "--minutes", "1"), "\\x1b[31m: no codec known here"),
        (("--codec", "h264", "--raster", "0x0", "--rate", "25", "--minutes", "1"), "a raster is"),
        (("--codec", "h264", "--raster", "2x2", "--rate", "0", "--minutes", "1"), "more than 0"),
    ],
)
def test_wrong_word_is_said(station: Station, words: tuple[str, ...], said: str) -> None:
    done = run(station, *words)
    assert done.code == 2
    assert said in done.err


def clip(path: bytes) -> clips.KeptClip:
    facts = ClipFacts(
        Container.MOV, "h264", "avc1", width=1920, height=1080, rate=Fraction(24), frames=240
    )
    return clips.KeptClip(path, ClipKind.FILE, 1, 240_000_000, probed=Probed(facts))


def add_roll(
    station: Station,
    found: list[clips.KeptClip],
    *,
    production: str,
    size: int = GIGA,
    elapsed_s: int = 1,
    written: int | None = None,
) -> None:
    with Ledger(os.fsencode(station.home)) as ledger:
        card = cards.add(ledger, cards.CardHints("", "", 0, ""), SECOND)
        listing = Inventory(Entries([Entry(b"A001C001.mov", Kind.FILE, size, SECOND)]))
        new = rolls.NewRoll("A001", card, "K7-4M2P", bytes(16), production, "2026-11-24", SECOND)
        roll = rolls.add(ledger, new)
        clips.keep(ledger, roll, found)
        run = offloads.start(
            ledger,
            offloads.NewOffload(
                key="5d0c",
                card=card,
                inventory=inventories.keep(ledger, listing),
                digest=listing.digest,
                policy=Policy(),
                checksums=("xxh128",),
                mounting="boot:41",
                host="cart",
                pid=4711,
                started_ns=SECOND,
                roll=roll,
            ),
        )
        hints = drives.DriveHints("shuttle-1", "", "", b"/media/s1", "ext4", frozenset(), 0, 0)
        drive = drives.use(ledger, hints, SECOND)
        new_copy = copies.NewCopy(run, drive, b"/media/s1/A001", frozenset(), "", SECOND)
        copy = copies.start(ledger, new_copy)
        result = copies.CopyResult(
            copies.Stage.PROVEN,
            b"/media/s1/A001",
            written_bytes=size if written is None else written,
        )
        copies.tell(ledger, copy, result, SECOND)
        offloads.end(ledger, run, Answer.CLEARED, {}, SECOND + elapsed_s * SECOND)
