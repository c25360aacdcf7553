"""A sound recorder's card that stays in for days: a roll each day, one clearance over all of it."""

import io
import json
import os
import signal
import struct
import wave
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from offload.events import Event
from offload.jobs.listed_answer import check_listed
from offload.jobs.outcome import Outcome
from offload.jobs.renaming import RenameWish, rename_roll
from offload.jobs.tools import Tools
from offload.jobs.verify_result import Answer as VerifyAnswer
from offload.jobs.verify_result import ClearanceState, Verification
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.values.facts import Policy
from offload.values.verdict import Answer
from tests.jobs.scene import Scene, codes, tree, write_card
from tests.jobs.verify_scene import known
from tests.lab.images import EXT4, Rack

pytestmark = pytest.mark.lab


def take(seed: int, frames: int = 4800) -> bytes:
    """A short wave file of its own content."""
    out = io.BytesIO()
    with wave.open(out, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(48_000)
        samples = ((at * (seed + 3) * 37) % 20_000 - 10_000 for at in range(frames))
        sound.writeframes(b"".join(struct.pack("<h", each) for each in samples))
    return out.getvalue()


class Recorder:
    """A recorder's card over several days, each with its own moment."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.now = datetime(2030, 11, 23, 19, 0, tzinfo=UTC)
        base = scene.surroundings
        scene.surroundings = replace(base, now=lambda: self.now)

    def record(self, files: dict[str, bytes]) -> None:
        write_card(self.scene.card, files)
        for name in files:
            # As the recorder's own clock has it, a day on from those of the day before.
            os.utime(self.scene.card.root / name, (self.now.timestamp(), self.now.timestamp()))
        self.scene.card.sync()

    def next_day(self) -> None:
        # Not a whole number of quarter hours: such times count as the same, in another time zone.
        self.now += timedelta(days=1, minutes=7)

    def wish(self, **changes: object) -> Wish:
        return self.scene.wish(roll="SOUND1", template="{day}/{roll}", **changes)

    def offload(self, **changes: object) -> Outcome:
        return self.scene.offload(self.wish(**changes))

    def rolls(self, drive: int = 0) -> list[str]:
        root = self.scene.drives[drive].root
        return sorted(
            str(path.relative_to(root))
            for path in root.glob("2030-*/*")
            if path.is_dir() and path.name != "records"
        )

    def files(self, roll: str, drive: int = 0) -> dict[str, bytes]:
        found = tree(self.scene.drives[drive].root / roll)
        return {path: data for path, data in found.items() if not path.startswith("ascmhl/")}


@pytest.fixture
def recorder(rack: Rack, tmp_path: Path) -> Recorder:
    return Recorder(Scene.make(rack, tmp_path))


def test_each_day_makes_its_roll(recorder: Recorder) -> None:
    days = [{f"DAY{day}/T{at:02}.WAV": take(10 * day + at) for at in range(2)} for day in (1, 2, 3)]
    outcomes = []
    for files in days:
        recorder.record(files)
        outcomes.append(recorder.offload())
        recorder.next_day()
    assert [codes(each) for each in outcomes] == [[], [], []]
    for drive in (0, 1):
        assert recorder.rolls(drive) == [
            "2030-11-23/SOUND1",
            "2030-11-24/SOUND1-2",
            "2030-11-25/SOUND1-3",
        ]
        for roll, files in zip(recorder.rolls(drive), days, strict=True):
            assert recorder.files(roll, drive) == files
    last = outcomes[-1]
    assert last.clearance is not None
    said = json.loads(last.clearance.content)
    assert said["inventory"]["files"] == 6
    assert [(roll["roll"], roll["files"]) for roll in said["rolls"]] == [
        ("SOUND1", 2),
        ("SOUND1-2", 2),
        ("SOUND1-3", 2),
    ]
    assert last.facts.inventory.file_count == 6


DAY1 = {"DAY1/T01.WAV": take(1), "DAY1/T02.WAV": take(2), "SESSION.XML": b"<session takes='2'/>"}
DAY2 = {"DAY2/T03.WAV": take(3), "DAY2/T04.WAV": take(4)}
DAY3 = {"DAY3/T05.WAV": take(5)}
ROLL1, ROLL2, ROLL3 = "2030-11-23/SOUND1", "2030-11-24/SOUND1-2", "2030-11-25/SOUND1-3"


@pytest.fixture
def second(recorder: Recorder) -> Recorder:
    """The first day is cleared; it is the second, and two takes are new."""
    recorder.record(DAY1)
    assert codes(recorder.offload()) == []
    recorder.next_day()
    recorder.record(DAY2)
    return recorder


def notices(outcome: Outcome) -> dict[str, str]:
    return {notice.code: notice.text for notice in outcome.verdict.notices}


def manifests(recorder: Recorder, roll: str, drive: int = 0) -> dict[str, bytes]:
    return tree(recorder.scene.drives[drive].root / roll / "ascmhl")


def listed(recorder: Recorder) -> Outcome:
    scene = recorder.scene
    with Ledger(os.fsencode(scene.home)) as ledger:
        tools = Tools(ledger, scene.key, scene.surroundings)
        found = check_listed(os.fsencode(scene.card.root), Policy(), tools)
    assert found is not None
    return found


def verified(recorder: Recorder, roll: str, drive: int = 0) -> Verification:
    """What a receiver finds, who has one folder and no ledger."""
    trusted = known(("station", recorder.scene.key))
    folder = recorder.scene.drives[drive].root / roll
    return verify_folder(VerifyWish(os.fsencode(folder)), VerifyTools(trusted))


# --- what earlier rolls hold


def test_earlier_rolls_record_stays(second: Recorder) -> None:
    before = manifests(second, ROLL1), second.files(ROLL1)
    assert codes(second.offload()) == []
    assert (manifests(second, ROLL1), second.files(ROLL1)) == before
    assert second.files(ROLL2) == DAY2


def test_earlier_copy_is_read_again(second: Recorder) -> None:
    copy = second.scene.drives[1].root / ROLL1 / "DAY1/T02.WAV"
    facts = copy.stat()
    copy.write_bytes(bytes(len(DAY1["DAY1/T02.WAV"])))
    os.utime(copy, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    second.scene.drives[1].sync()
    outcome = second.offload()
    assert "copy-differs" in codes(outcome)
    assert outcome.clearance is None


def test_earlier_copy_that_is_missing_is_made_again(second: Recorder) -> None:
    (second.scene.drives[1].root / ROLL1 / "DAY1/T02.WAV").unlink()
    assert codes(second.offload()) == []
    assert second.files(ROLL1, 1) == DAY1


def test_drive_away_on_second_day_holds(second: Recorder) -> None:
    drives = second.wish().drives
    away = DriveWish("shuttle-2", b"/nowhere/shuttle-2")
    outcome = second.offload(drives=(drives[0], away))
    assert outcome.verdict.answer is Answer.HELD
    assert "drive-away" in codes(outcome)
    second.next_day()
    second.record(DAY3)
    # It is there again, and gets the roll of the day on which it was not.
    assert codes(second.offload()) == []
    for roll, files in ((ROLL1, DAY1), (ROLL2, DAY2), (ROLL3, DAY3)):
        assert second.files(roll, 1) == files


def test_new_drive_gets_every_roll(second: Recorder, rack: Rack) -> None:
    second.scene.drives[1] = rack.volume(EXT4, name="shuttle-3")
    drives = second.wish().drives
    outcome = second.offload(drives=(drives[0], replace(drives[1], name="shuttle-3")))
    assert codes(outcome) == []
    assert second.files(ROLL1, 1) == DAY1
    assert second.files(ROLL2, 1) == DAY2


# --- what the recorder does to its card


def test_rewritten_session_file_goes_into_new_roll(second: Recorder) -> None:
    session = {"SESSION.XML": b"<session takes='4'/><!-- -->"}
    second.record(session)
    outcome = second.offload()
    assert codes(outcome) == []
    assert second.files(ROLL1) == DAY1
    assert second.files(ROLL2) == DAY2 | session
    assert "rewritten-on-card" in notices(outcome)
    second.next_day()
    third = {"SESSION.XML": b"<session takes='5'/>"} | DAY3
    second.record(third)
    assert codes(second.offload()) == []
    assert second.files(ROLL3) == third
    assert second.files(ROLL2) == DAY2 | session


def test_altered_take_of_same_size_makes_roll_anew(second: Recorder) -> None:
    path = second.scene.card.root / "DAY1/T01.WAV"
    facts = path.stat()
    altered = take(99)
    assert len(altered) == facts.st_size
    path.write_bytes(altered)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    second.scene.card.sync()
    outcome = second.offload()
    assert codes(outcome) == []
    assert second.files(ROLL1) == DAY1
    for drive in (0, 1):
        assert second.files("2030-11-23/SOUND1-2", drive)["DAY1/T01.WAV"] == altered
        assert second.files(ROLL2, drive) == DAY2


def test_files_wiped_from_card_stay_in_their_roll(second: Recorder) -> None:
    (second.scene.card.root / "DAY1/T01.WAV").unlink()
    second.scene.card.sync()
    before = manifests(second, ROLL1)
    outcome = second.offload()
    assert codes(outcome) == []
    assert second.files(ROLL1) == DAY1
    assert manifests(second, ROLL1) == before
    assert "gone-from-card" in notices(outcome)
    assert [roll.files for roll in outcome.rolls] == [2, 2]


def test_card_wiped_in_recorder_is_one_new_roll(second: Recorder) -> None:
    for path in DAY1 | DAY2:
        (second.scene.card.root / path).unlink()
    second.record(DAY3)
    outcome = second.offload()
    assert codes(outcome) == []
    assert outcome.rolls == ()
    assert second.files(ROLL1) == DAY1


# --- which day it is


def test_same_day_joins_its_roll(second: Recorder) -> None:
    assert codes(second.offload()) == []
    second.now += timedelta(hours=1)
    second.record(DAY3)
    outcome = second.offload()
    assert codes(outcome) == []
    assert second.rolls() == [ROLL1, ROLL2]
    assert second.files(ROLL2) == DAY2 | DAY3
    assert [roll.roll for roll in outcome.rolls] == ["SOUND1", "SOUND1-2"]


def test_night_shoot_is_one_day(recorder: Recorder) -> None:
    recorder.now = datetime(2030, 11, 23, 23, 30).astimezone()
    recorder.record(DAY1)
    assert codes(recorder.offload(day_starts=time(6))) == []
    recorder.now += timedelta(hours=2)
    recorder.record(DAY2)
    assert codes(recorder.offload(day_starts=time(6))) == []
    assert recorder.rolls() == [ROLL1]


def test_nothing_new_makes_no_roll(second: Recorder) -> None:
    assert codes(second.offload()) == []
    second.next_day()
    outcome = second.offload()
    assert codes(outcome) == []
    assert second.rolls() == [ROLL1, ROLL2]


# --- what is said afterwards


def test_listing_says_it_while_card_stays(second: Recorder) -> None:
    assert codes(second.offload()) == []
    assert codes(listed(second)) == []


@pytest.mark.parametrize("path", [f"{ROLL1}/DAY1/T01.WAV", f"{ROLL2}/DAY2/T03.WAV"])
def test_listing_misses_copy_of_any_roll(second: Recorder, path: str) -> None:
    assert codes(second.offload()) == []
    (second.scene.drives[0].root / path).unlink()
    assert "too-few-copies" in codes(listed(second))


def rename(recorder: Recorder, old: str, new: str) -> None:
    scene = recorder.scene
    with Ledger(os.fsencode(scene.home)) as ledger:
        (roll,) = (each for each in rolls.newest(ledger) if each.name == old)
        tools = Tools(ledger, scene.key, scene.surroundings)
        asked = RenameWish(roll.roll, new, "the mixer", "the sound report", ("xxh128", "c4"))
        assert all(copy.is_good for copy in rename_roll(asked, tools).copies)


@pytest.mark.parametrize("old", ["SOUND1", "SOUND1-2"])
def test_listing_finds_renamed_roll(second: Recorder, old: str) -> None:
    assert codes(second.offload()) == []
    rename(second, old, "SOUND7")
    assert codes(listed(second)) == []


@pytest.mark.parametrize(
    "lost", ["2030-11-23/SOUND7/DAY1/T01.WAV", "2030-11-24/SOUND1/DAY2/T03.WAV"]
)
def test_no_roll_stands_in_for_one_whose_name_it_took(second: Recorder, lost: str) -> None:
    assert codes(second.offload()) == []
    rename(second, "SOUND1", "SOUND7")
    rename(second, "SOUND1-2", "SOUND1")
    assert codes(listed(second)) == []
    (second.scene.drives[0].root / lost).unlink()
    assert "too-few-copies" in codes(listed(second))


@pytest.mark.parametrize("old", ["SOUND1", "SOUND1-2"])
def test_renamed_roll_is_read_where_it_lies(second: Recorder, old: str) -> None:
    assert codes(second.offload()) == []
    rename(second, old, "SOUND7")
    second.record(DAY3)
    second.next_day()
    outcome = second.offload()
    assert codes(outcome) == []
    folders = {path.rpartition("/")[2] for path in second.rolls()}
    assert folders == ({"SOUND1", "SOUND1-2"} - {old}) | {"SOUND7", outcome.context.roll}
    assert len(folders) == 3


def test_cards_code_is_the_same_whoever_says_it(second: Recorder) -> None:
    assert (said := second.offload().context.code)
    assert listed(second).context.code == said


def test_roll_without_a_name_is_called_by_no_passing_name(recorder: Recorder) -> None:
    recorder.record(DAY1)
    wish = recorder.wish()
    recorder.scene.offload(replace(wish, roll=""))
    recorder.next_day()
    recorder.record(DAY2)
    outcome = recorder.scene.offload(replace(wish, roll=""))
    said = notices(outcome)
    named = {each.name for each in stated_names(recorder)}
    for word in said["several-rolls"].replace(",", " ").split():
        assert not word.startswith("unnamed-") or word in named, said
    assert f"offload name {outcome.context.roll} NEW" in said["roll-unnamed"]


def stated_names(recorder: Recorder) -> tuple[rolls.Roll, ...]:
    with Ledger(os.fsencode(recorder.scene.home)) as ledger:
        return tuple(rolls.newest(ledger))


@pytest.mark.parametrize("roll", [ROLL1, ROLL2])
def test_receiver_verifies_each_roll(second: Recorder, roll: str) -> None:
    assert codes(second.offload()) == []
    found = verified(second, roll)
    assert found.answer is VerifyAnswer.AS_RECORDED
    newest = found.clearances[-1]
    assert newest.state is ClearanceState.PROVES_THIS_COPY


def test_held_day_withdraws_in_every_roll(second: Recorder) -> None:
    assert codes(second.offload()) == []
    second.record(DAY3)
    second.next_day()
    drives = second.wish().drives
    outcome = second.offload(drives=(drives[0], DriveWish("shuttle-2", b"/nowhere")))
    assert outcome.verdict.answer is Answer.HELD
    root = second.scene.drives[0].root
    for roll in (ROLL1, ROLL2):
        day, name = roll.split("/")
        assert list((root / day / "records" / name).glob("withdrawn-*.json"))


def test_clearance_fits_its_schema(second: Recorder) -> None:
    outcome = second.offload()
    assert outcome.clearance is not None
    schema = resources.files("offload.clearance").joinpath("clearance.schema.json").read_bytes()
    jsonschema.validate(json.loads(outcome.clearance.content), json.loads(schema))
    assert len(outcome.clearance.named) == 8  # two drives, two rolls, each with a signature


# --- kill -9


class Deadly(list[Event]):
    """Ends the process by force when it is told of the nth event."""

    def __init__(self, after: int) -> None:
        self.left = after

    def append(self, event: Event) -> None:
        self.left -= 1
        if self.left < 0:
            os.kill(os.getpid(), signal.SIGKILL)


def offload_and_die(recorder: Recorder, events: int, syncs: int) -> bool:
    """Run in a child that is killed at the nth event or sync; whether it got to its end."""
    child = os.fork()
    if child == 0:
        recorder.scene.events = Deadly(events)
        real, left = os.fsync, [syncs]

        def fsync(fd: int) -> None:
            left[0] -= 1
            if left[0] < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            real(fd)

        os.fsync = fsync  # type: ignore[assignment]
        code = 1
        try:
            recorder.offload()
            code = 0
        finally:
            os._exit(code)
    return os.WIFEXITED(os.waitpid(child, 0)[1])


@pytest.mark.parametrize(
    ("events", "syncs"),
    [(13, 999), *((999, at) for at in range(4, 60, 14))],
)
def test_killed_on_second_day_goes_on(second: Recorder, events: int, syncs: int) -> None:
    second.record({"SESSION.XML": b"<session takes='4'/><!-- -->"})
    offload_and_die(second, events, syncs)
    assert codes(second.offload()) == []
    for drive in (0, 1):
        assert second.rolls(drive) == [ROLL1, ROLL2]
        assert second.files(ROLL1, drive) == DAY1
        assert second.files(ROLL2, drive)["DAY2/T03.WAV"] == DAY2["DAY2/T03.WAV"]
        assert verified(second, ROLL2, drive).answer is VerifyAnswer.AS_RECORDED


def test_killed_and_more_recorded_next_day(second: Recorder) -> None:
    offload_and_die(second, 999, 20)
    second.next_day()
    second.record(DAY3)
    assert codes(second.offload()) == []
    copies = [second.files(roll) for roll in second.rolls()]
    assert {path: data for each in copies for path, data in each.items()} == DAY1 | DAY2 | DAY3
