"""``offload copy`` as its user meets it: words, JSON, exit codes, and whatever the terminal is."""

import json
import os
import re
import signal
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from offload.ledger import pulse
from offload.ledger.pulse import Pulse
from tests.cli.forked import forked
from tests.cli.stations import SETTINGS, Bench
from tests.jobs.scene import tree, write_card
from tests.lab.cards import NAMES
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import EXT4, Rack
from tests.lab.processes import Child, Done

pytestmark = pytest.mark.lab

CLIPS = {
    "CLIPS/A001C001.mov": os.urandom(1_500_000),
    "CLIPS/A001C002.mov": os.urandom(70_000),
    "CLIPS/A001C002.xml": b"<take/>",
}
FIELDS = {
    "verdict",
    "holds",
    "notices",
    "card",
    "code",
    "roll",
    "copies",
    "bytes",
    "files",
    "manifest",
    "clearance",
}


class Desk(Bench):
    """A bench that runs commands warm."""

    def run(self, *words: str | bytes | Path, environment: dict[str, str] | None = None) -> Done:
        with self.begin(*words, environment=environment) as child:
            done = child.finish()
        done.assert_no_traceback()
        return done

    def begin(self, *words: str | bytes | Path, environment: dict[str, str] | None = None) -> Child:
        own = {**self.station.environment, **(environment or {})}
        return forked(words, own, self.station.home.parent)

    def copy(self, *more: str, environment: dict[str, str] | None = None) -> Done:
        return self.run(*self.words(*more), environment=environment)

    def shell(self, tail: str, *words: str) -> subprocess.CompletedProcess[bytes]:
        """The command in a shell that does something to its output; exit code of the command."""
        command = self.station.command(*words)
        script = f'"$@" {tail}; exit ${{PIPESTATUS[0]}}'
        done = subprocess.run(
            [b"bash", b"-c", script.encode(), b"bash", *command],
            env=self.station.environment,
            cwd=self.station.home.parent,
            capture_output=True,
            check=False,
        )
        assert b"Traceback" not in done.stdout + done.stderr, done.stderr
        assert b"Exception ignored" not in done.stderr, done.stderr
        return done

    def assert_both_copied(self) -> None:
        for drive in self.drives:
            copied = tree(drive.root / "A001")
            assert {name: copied[name] for name in CLIPS} == CLIPS
            assert list((drive.root / "records/A001").glob("clearance-*.json"))


@pytest.fixture
def desk(rack: Rack, tmp_path: Path) -> Desk:
    made = Desk(rack, tmp_path)
    write_card(made.card, CLIPS)
    return made


# --- JSON


def test_every_line_is_an_object_and_the_last_is_the_result(desk: Desk) -> None:
    done = desk.copy("--json")
    assert done.code == 0
    assert done.err == ""
    assert done.out.isascii()
    lines = [json.loads(line) for line in done.out.splitlines()]
    assert all(isinstance(line["type"], str) for line in lines)
    assert [line["type"] for line in lines].count("result") == 1
    result = lines[-1]
    assert result["type"] == "result"
    assert result.keys() >= FIELDS
    assert result["verdict"] == "cleared"
    assert (result["holds"], result["files"]) == ([], len(CLIPS))
    assert result["bytes"] == sum(len(content) for content in CLIPS.values())
    assert result["card"] == str(desk.card.root)
    for copy in result["copies"]:
        assert copy["verified"] == len(CLIPS)
        assert copy["read_back"] == "device"
        assert Path(copy["path"], "CLIPS/A001C001.mov").exists()
        assert Path(result["manifest"][copy["drive"]]["path"]).exists()
        assert Path(result["clearance"]["paths"][copy["drive"]]).exists()


def test_hold_in_json_says_what_how_and_whether_it_can_be_settled(
    rack: Rack, tmp_path: Path
) -> None:
    desk = Desk(rack, tmp_path, drives=(EXT4,))
    write_card(desk.card, CLIPS)
    done = desk.copy("--json")
    assert done.code == 1
    assert done.result["verdict"] == "held"
    assert done.result["clearance"] is None
    (hold,) = done.result["holds"]
    assert hold["code"] == "too-few-copies"
    assert hold["settleable"] is False
    assert "CLIPS/A001C001.mov" in hold["text"]
    assert "offload copy" in hold["remedy"]


# --- words


def test_first_words_of_the_verdict_are_the_answer(desk: Desk) -> None:
    done = desk.copy()
    lines = done.out.splitlines()
    answer = next(line for line in lines if line.startswith("A001"))
    assert answer.startswith("A001  SAFE TO ERASE IN CAMERA")
    assert "KEEP THE CARD" not in done.out
    assert any(line.startswith("  time went to: ") for line in lines)


def test_words_are_never_there_for_a_card_that_is_held(rack: Rack, tmp_path: Path) -> None:
    desk = Desk(rack, tmp_path, drives=(EXT4,))
    write_card(desk.card, CLIPS)
    done = desk.copy()
    assert done.code == 1
    assert "SAFE" not in done.out.upper().replace("NOT SAFE", "")
    assert any(line.startswith("A001  KEEP THE CARD") for line in done.out.splitlines())


def test_both_drives_on_one_disk_are_held_until_it_is_declared(rack: Rack, tmp_path: Path) -> None:
    desk = Desk(rack, tmp_path, drives=(EXT4,))
    write_card(desk.card, CLIPS)
    to = []
    for name in ("one", "two"):
        (desk.drives[0].root / name).mkdir()
        to += ["--to", str(desk.drives[0].root / name)]
    held = desk.run("copy", desk.card.root, *to)
    assert held.code == 1
    assert "shared-drive" in held.out
    assert "--same-drive-ok" in held.out
    cleared = desk.run("copy", desk.card.root, *to, "--same-drive-ok")
    assert cleared.code == 0
    assert "one physical drive" in cleared.out


def test_same_command_goes_on_with_the_same_drives(desk: Desk) -> None:
    """As the last line of the live view says: no need to name them again."""
    desk.copy()
    again = desk.run("copy", desk.card.root, "--json")
    assert again.code == 0
    assert {copy["drive"] for copy in again.result["copies"]} == {"shuttle-1", "shuttle-2"}
    by_roll = desk.run("copy", "A001", "--json")
    assert by_roll.code == 0


def test_roll_is_named_by_the_rule_of_the_settings(rack: Rack, tmp_path: Path) -> None:
    """As the station names it: which of the two copies a card must not change its roll."""
    desk = Desk(rack, tmp_path)
    rule = "[cards]\nroll_in_clip_name = '(?P<camera>[A-Z])CAM(?P<number>[0-9]{3})-'\n"
    desk.station.settings.write_text(SETTINGS + rule)
    write_card(desk.card, {"DCIM/100ABCDE/BCAM004-01.mov": os.urandom(70_000)})
    done = desk.run("copy", desk.card.root, *desk.to, "--json")
    assert (done.code, done.result["roll"]) == (0, "B004"), done.out


def test_card_of_the_productions_own_layout_is_known_and_named(rack: Rack, tmp_path: Path) -> None:
    desk = Desk(rack, tmp_path)
    layout = (
        '[[card_layout]]\nname = "reels"\ntitle = "reels"\nsource = "the camera team"\n'
        'medium = "camera"\nsigns = [["REELS/*.reel"]]\nclips = ["REELS/*.reel"]\n'
    )
    desk.station.settings.write_text(SETTINGS + layout)
    write_card(desk.card, {"REELS/A002C001.reel": os.urandom(70_000)})
    done = desk.run("copy", desk.card.root, *desk.to, "--json")
    assert (done.code, done.result["roll"]) == (0, "A002"), done.out


# --- exit codes


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["copy", "--no-such-option"], "--no-such-option"),
        (["copy", "--copies", "0"], "copies"),
        (["copy", "--card-reads", "3"], "card"),
        (["copy", "--copies", "many"], "--copies"),
        (["copy", "/no/such/card"], "/no/such/card"),
        (["copy", "CARD"], "no drive to copy to"),
        (["copy", "CARD", "--to", "D", "--checksum", "crc32"], "crc32"),
        (["copy", "CARD", "--to", "D", "--settings", "/no/such/file"], "/no/such/file"),
        (["copy", "CARD", "--to", "D", "one", "too many"], "one"),
        (["frobnicate"], "frobnicate"),
        (["check", "/no/such/card"], "/no/such/card"),
        (["rolls", "Z999"], "Z999"),
    ],
    ids=lambda each: " ".join(each) if isinstance(each, list) else "",
)
@pytest.mark.parametrize("is_json", [False, True], ids=["text", "json"])
def test_wrong_usage_is_2_and_names_what_is_wrong(
    tmp_path: Path, words: list[str], says: str, is_json: bool
) -> None:
    """No card and no drive is needed to be wrong; nothing is read or written."""
    card, drive = tmp_path / "card", tmp_path / "drive"
    for folder in (card, drive):
        folder.mkdir()
    (card / "A001C001.mov").write_bytes(b"clip")
    (tmp_path / "offload.toml").write_text(SETTINGS)
    told = {"CARD": str(card), "D": str(drive)}
    environment = {
        **os.environ,
        "OFFLOAD_HOME": str(tmp_path / "home"),
        "OFFLOAD_SETTINGS": str(tmp_path / "offload.toml"),
    }
    more = ["--json"] if is_json else []
    with forked([told.get(word, word) for word in words] + more, environment, tmp_path) as child:
        done = child.finish()
    done.assert_no_traceback()
    assert done.code == 2, done.out + done.err
    if is_json:
        assert done.result["type"] == "error"
        assert done.result["exit"] == 2
        assert says in done.result["text"] + done.result["path"]
    else:
        assert says in done.err
        assert done.out == ""
    assert list(drive.iterdir()) == []


def test_unknown_checksum_is_refused_before_anything_and_names_those_allowed(desk: Desk) -> None:
    done = desk.copy("--checksum", "crc32")
    assert done.code == 2
    for name in ("crc32", "xxh128", "c4", "md5"):
        assert name in done.err
    assert not (desk.drives[0].root / "records").exists()


def test_every_known_checksum_can_be_asked_for(desk: Desk) -> None:
    names = ("xxh128", "xxh3", "xxh64", "c4", "md5", "sha1", "sha256")
    words = [word for name in names for word in ("--checksum", name)]
    assert desk.copy(*words).code == 0
    for suffix in ("xxh128", "xxh3", "xxh64", "sha512", "md5", "sha1", "sha256"):
        assert (desk.drives[0].root / f"records/A001/A001.{suffix}").exists()


def test_card_that_cannot_be_listed_is_3_and_not_empty(
    rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> None:
    desk = Desk(rack, tmp_path)
    card = faulty_disk("card")
    (card.backing / "A001C001.mov").write_bytes(b"clip")
    desk.card.root = card.root
    card.plan(Fault("opendir", path="", errno="EPERM", count=0))
    done = desk.copy("--json")
    assert done.code == 3
    assert done.result["type"] == "error"
    assert "EPERM" in done.result["text"]
    assert "empty" not in done.out


def test_empty_card_is_1(rack: Rack, tmp_path: Path) -> None:
    done = Desk(rack, tmp_path).copy("--json")
    assert done.code == 1
    assert [hold["code"] for hold in done.result["holds"]] == ["nothing-to-prove"]


@contextmanager
def hanging(desk: Desk, card: FaultFs, *more: str, at: str = r".*A001C001\.mov") -> Iterator[Child]:
    """A copy that has come to a clip and waits there."""
    card.plan(Fault("read", "hang", path=at))
    desk.card.root = card.root
    with desk.begin(*desk.words(*more)) as child:
        card.wait_hanging()
        try:
            yield child
        finally:
            card.release()


@pytest.fixture
def slow(rack: Rack, tmp_path: Path, faulty_disk: Callable[..., FaultFs]) -> tuple[Desk, FaultFs]:
    card = faulty_disk("card")
    for name, content in CLIPS.items():
        (card.backing / name).parent.mkdir(exist_ok=True)
        (card.backing / name).write_bytes(content)
    return Desk(rack, tmp_path), card


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "SIGTERM"])
@pytest.mark.parametrize("is_json", [False, True], ids=["text", "json"])
def test_stopping_is_clean_and_the_same_command_goes_on(
    slow: tuple[Desk, FaultFs], how: signal.Signals, is_json: bool
) -> None:
    desk, card = slow
    more = ["--json"] if is_json else []
    with hanging(desk, card, *more) as child:
        child.process.send_signal(how)
        card.release()
        done = child.finish()
    done.assert_no_traceback()
    assert done.code == 130, done.out + done.err
    assert "same command" in done.out + done.err
    if is_json:
        assert done.result["exit"] == 130
    for drive in desk.drives:
        assert not (drive.root / "A001").exists()
    card.plan()
    assert desk.copy().code == 0
    desk.assert_both_copied()


def test_other_shells_see_where_a_copy_by_hand_is(slow: tuple[Desk, FaultFs]) -> None:
    desk, card = slow
    pulses = desk.station.home / "pulses"
    with hanging(desk, card) as child:
        deadline = time.monotonic() + 30
        while True:
            (line,) = desk.run("status", "--json").result["cards"]
            # The newest pulse may be of a moment before the roll had its name.
            if (line.get("run") or {}).get("step") == "copying" or time.monotonic() > deadline:
                break
        assert (line["run"]["roll"], line["run"]["step"]) == ("A001", "copying")
        assert line["run"]["total_bytes"] == sum(map(len, CLIPS.values()))
        assert {drive["name"] for drive in line["run"]["drives"]} == {"shuttle-1", "shuttle-2"}
        assert "KEEP THE CARD IN" in desk.run("status").out
        card.release()
        assert child.finish().code == 0
    assert not list(pulses.iterdir())


def test_run_that_has_its_verdict_is_shown_as_none_that_works(desk: Desk) -> None:
    assert desk.copy().code == 0
    # The process that worked on it may take its pulse away a moment after the verdict.
    assert pulse.write(
        os.fsencode(desk.station.home), Pulse(1, time.time_ns(), os.getpid(), "A001")
    )
    done = desk.run("status", "--json").result
    assert [card["run"] for card in done["cards"]] == [None]
    assert [drive["is_busy"] for drive in done["drives"]] == [False, False]
    assert "KEEP THE CARD IN" not in desk.run("status").out


def test_second_interrupt_ends_at_once(slow: tuple[Desk, FaultFs]) -> None:
    """Even while the card does not answer."""
    desk, card = slow
    with hanging(desk, card) as child:
        child.interrupt()
        time.sleep(0.3)
        child.interrupt()
        # While the system holds it in a read it can only end when that read does.
        card.release()
        done = child.finish()
    assert done.code == 130
    done.assert_no_traceback()
    card.plan()
    assert desk.copy().code == 0


# --- two at once


def test_second_run_on_one_card_says_so_and_stops(slow: tuple[Desk, FaultFs]) -> None:
    desk, card = slow
    with hanging(desk, card, "--json") as child:
        second = desk.copy("--json")
        assert second.code == 3
        assert second.result["code"] == "busy"
        assert "another run" in second.result["text"]
        text = desk.copy()
        assert text.code == 3
        assert "another run" in text.err
        card.release()
        first = child.finish()
    assert first.code == 0, first.out + first.err
    desk.assert_both_copied()


def test_two_cards_with_the_same_clips_are_copied_at_once(rack: Rack, tmp_path: Path) -> None:
    """A camera that counts from 1 again: neither card's clip is skipped, none written over."""
    desk = Desk(rack, tmp_path)
    twin = rack.volume(EXT4, name="twin")
    write_card(desk.card, CLIPS)
    others = {name: bytes(reversed(content)) for name, content in CLIPS.items()}
    write_card(twin, others)
    box: dict[str, Done] = {}

    def run(name: str, card: Path) -> None:
        box[name] = desk.run("copy", str(card), *desk.to, "--json")

    threads = [
        threading.Thread(target=run, args=("first", desk.card.root)),
        threading.Thread(target=run, args=("second", twin.root)),
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # One may have found the other's roll locked: then it says so, and the same command mends it.
    for name, card in (("first", desk.card.root), ("second", twin.root)):
        if box[name].code != 0:
            box[name] = desk.run("copy", str(card), *desk.to, "--json")
        assert box[name].code == 0, box[name].out + box[name].err
    for drive in desk.drives:
        stored = [
            content for path, content in tree(drive.root).items() if path.endswith("A001C001.mov")
        ]
        wanted = [CLIPS["CLIPS/A001C001.mov"], others["CLIPS/A001C001.mov"]]
        assert sorted(stored) == sorted(wanted)


# --- hostile names, odd terminals


ODD = [name for name in NAMES if b"/" not in name]


@pytest.fixture
def odd(rack: Rack, tmp_path: Path) -> Desk:
    """A card on which every odd name is a pipe, which the answer has to name."""
    desk = Desk(rack, tmp_path)
    write_card(desk.card, CLIPS)
    for name in ODD:
        os.mkfifo(os.path.join(os.fsencode(desk.card.root), name))
    return desk


def assert_harmless(text: str) -> None:
    """No control character but the newline, no bidirectional mark."""
    for char in text:
        assert char == "\n" or (ord(char) >= 0x20 and not 0x7F <= ord(char) < 0xA0), repr(char)
        assert char not in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029"


def test_odd_names_are_shown_literally_and_harmlessly(odd: Desk) -> None:
    told = odd.copy("--json")
    assert told.code == 1
    (hold,) = told.result["holds"]
    assert hold["code"] == "not-copied"
    assert len(hold["paths"]) == hold["path_count"] == len(ODD)
    for text in hold["paths"]:
        assert_harmless(text)
    assert "[bold]take.mov" in hold["paths"]
    assert "<script>alert(1)<" in hold["paths"]
    assert r"clear\x1b[2J\x1b[H.mov" in hold["paths"]
    assert r"not-utf8-\xff\xfe.mov" in hold["paths"]
    shown = odd.copy()
    assert shown.code == 1
    assert_harmless(shown.out + shown.err)


MARKUP = ("[bold]take.mov", "[red]1[/red].mov", "A[/b].mov", "<script>alert(1)<", "\x1b[2J.mov")


@pytest.mark.parametrize("name", MARKUP, ids=repr)
def test_markup_and_escape_codes_reach_the_screen_as_text(
    rack: Rack, tmp_path: Path, name: str
) -> None:
    desk = Desk(rack, tmp_path)
    write_card(desk.card, CLIPS)
    os.makedirs((desk.card.root / name).parent, exist_ok=True)
    os.mkfifo(desk.card.root / name)
    done = desk.copy()
    assert done.code == 1
    assert name.replace("\x1b", r"\x1b") in done.out
    assert_harmless(done.out)


@pytest.mark.parametrize(
    ("coding", "is_json"),
    [("cp1252", False), ("cp1252", True), ("ascii", False), ("utf-16", True)],
)
def test_no_encoding_of_the_terminal_changes_the_outcome(
    odd: Desk, coding: str, is_json: bool
) -> None:
    more = ["--json"] if is_json else []
    child = subprocess.run(
        odd.station.command(*odd.words(*more)),
        env={**odd.station.environment, "PYTHONIOENCODING": coding, "PYTHONUTF8": "0"},
        cwd=odd.station.home.parent,
        capture_output=True,
        check=False,
    )
    assert child.returncode == 1, child.stderr
    assert b"Traceback" not in child.stdout + child.stderr
    text = child.stdout.decode(coding)
    assert_harmless(text)
    if is_json:
        assert json.loads(text.splitlines()[-1])["holds"][0]["path_count"] == len(ODD)
    else:
        assert "KEEP THE CARD" in text


@pytest.mark.parametrize(
    ("tail", "is_json"),
    [
        ("| head -1", False),
        ("| head -1", True),
        ("> /dev/full", False),
        ("> /dev/full", True),
        ("<&- >&- 2>&-", False),
        ("<&- >&- 2>&-", True),
    ],
)
def test_output_that_goes_nowhere_changes_nothing(desk: Desk, tail: str, is_json: bool) -> None:
    """The copy is made, proven and recorded, and the exit code stands."""
    more = ["--json"] if is_json else []
    done = desk.shell(tail, *desk.words(*more))
    assert done.returncode == 0, done.stderr
    desk.assert_both_copied()


@pytest.mark.parametrize("tail", ["| true", "> /dev/full", "<&- >&- 2>&-"])
def test_error_that_cannot_be_told_keeps_its_exit_code(desk: Desk, tail: str) -> None:
    for more in ([], ["--json"]):
        assert desk.shell(tail, "check", "/no/such/card", *more).returncode == 2


# --- an ordinary user


SOMEBODY_ELSE = 65534


class Ordinary(Desk):
    """Commands run without any of root's powers: permission bits hold, devices are out of reach.

    The user's number stays, since the interpreter of a laboratory may lie in root's own folder.
    """

    def copy(self, *more: str, environment: dict[str, str] | None = None) -> Done:
        powerless = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--no-new-privs"]
        done = subprocess.run(
            [*powerless, *self.station.command(*self.words(*more))],
            env=self.station.environment,
            cwd=self.station.home.parent,
            capture_output=True,
            text=True,
            check=False,
        )
        found = Done(done.returncode, done.stdout, done.stderr)
        found.assert_no_traceback()
        return found


def give_away(path: Path, mode: int) -> None:
    """Make it somebody else's, with these rights for all others."""
    path.chmod(mode)
    os.chown(path, SOMEBODY_ELSE, SOMEBODY_ELSE)


@pytest.fixture
def ordinary(rack: Rack, tmp_path: Path) -> Ordinary:
    desk = Ordinary(rack, tmp_path)
    write_card(desk.card, CLIPS)
    return desk


def test_ordinary_user_gets_a_card_cleared(ordinary: Ordinary) -> None:
    done = ordinary.copy("--json")
    assert done.code == 0, done.out + done.err
    ordinary.assert_both_copied()
    key = ordinary.station.home / "station_key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_card_that_the_user_may_not_read_is_told_as_that(ordinary: Ordinary) -> None:
    give_away(ordinary.card.root, 0o700)
    done = ordinary.copy("--json")
    assert done.code == 3
    assert "EACCES" in done.result["text"]
    assert "empty" not in done.out


def test_folder_of_the_card_that_the_user_may_not_read_is_held(ordinary: Ordinary) -> None:
    give_away(ordinary.card.root / "CLIPS", 0o700)
    (ordinary.card.root / "A001C009.mov").write_bytes(b"clip")
    done = ordinary.copy("--json")
    assert done.code == 1
    (hold,) = [each for each in done.result["holds"] if each["code"] == "not-listed"]
    assert hold["paths"] == ["CLIPS"]
    assert "EACCES" in str(hold)


def test_drive_that_the_user_may_not_write_is_dropped_with_that_reason(
    ordinary: Ordinary,
) -> None:
    give_away(ordinary.drives[0].root, 0o755)
    done = ordinary.copy("--json")
    assert done.code == 1
    assert "EACCES" in done.out
    assert not (ordinary.drives[0].root / "A001.incomplete").exists()
    assert (ordinary.drives[1].root / "A001").is_dir()


def test_home_that_the_user_may_not_write_is_an_error_that_names_it(ordinary: Ordinary) -> None:
    ordinary.station.home.mkdir(exist_ok=True)
    give_away(ordinary.station.home, 0o700)
    done = ordinary.copy("--json")
    assert done.code == 3
    assert str(ordinary.station.home) in done.result["path"] + done.result["text"]
    assert not (ordinary.drives[0].root / "A001").exists()


# --- help


def test_help_documents_the_exit_codes() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "offload", "copy", "--help"], capture_output=True, text=True
    )
    assert done.returncode == 0
    said = re.sub(r"\s+", " ", done.stdout)
    for code in ("0 cleared", "1 held", "2 wrong usage", "3 no verdict", "130 stopped"):
        assert code in said
