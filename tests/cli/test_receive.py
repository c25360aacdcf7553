"""``offload receive`` as its user meets it: words, JSON, exit codes."""

from pathlib import Path

import pytest

from tests.cli.stations import DiskStation
from tests.cli.test_copy import Desk
from tests.jobs.receive_scene import Depot
from tests.jobs.verify_scene import flip
from tests.lab.images import EXT4, Rack
from tests.lab.processes import Done

pytestmark = pytest.mark.lab


class Counter(Desk):
    """A station with two drives, at which a delivery is handed in."""

    def __init__(self, rack: Rack, tmp_path: Path, *rolls: str) -> None:
        self.station = DiskStation(tmp_path / "station")
        self.depot = Depot.make(rack, tmp_path, rolls=rolls or ("A001",))
        self.drives = self.depot.drives

    @property
    def sent(self) -> Path:
        return self.depot.sent.root

    def receive(self, *more: str) -> Done:
        return self.run("receive", self.sent, *self.to, *more)


@pytest.fixture
def counter(rack: Rack, tmp_path: Path) -> Counter:
    return Counter(rack, tmp_path)


def answer(done: Done) -> list[str]:
    """The lines from the answer on."""
    lines = done.out.splitlines()
    return lines[next(at for at, line in enumerate(lines) if " AS SENT" in line) :]


def assert_no_card_words(done: Done) -> None:
    said = (done.out + done.err).upper()
    assert "ERASE" not in said
    assert "THE CARD" not in said


def test_first_words_are_the_answer(rack: Rack, tmp_path: Path) -> None:
    counter = Counter(rack, tmp_path, "A001", "A002")
    done = counter.receive("--name", "NIGHT-04")
    assert done.code == 0
    first, second, *rest = answer(done)
    assert first.startswith("NIGHT-04  AS SENT  ")
    assert "on 2 separate drives" in second
    assert any(
        line.startswith("  A002         1.3 MB, 4 files as sent, on shuttle-1 and") for line in rest
    )
    assert any(line.startswith("  shuttle-2    8 of 8 files equal, read back") for line in rest)
    assert_no_card_words(done)


def test_unknown_key_is_told_with_what_to_do(counter: Counter) -> None:
    done = counter.receive()
    assert done.code == 0
    assert "signed by a key that is not known here" in done.out
    trusted = counter.run("key", "trust", counter.sent / "records/A001/allowed_signers", "--as=set")
    assert trusted.code == 0
    assert "is signed by set, key SHA256:" in counter.receive().out


def test_damage_and_absence_are_said_file_by_file(counter: Counter) -> None:
    flip(counter.sent / "A001/CLIPS/A001C001.mov", 700_000)
    (counter.sent / "A001/CLIPS/A001C002.mov").unlink()
    counter.depot.sent.sync()
    done = counter.receive()
    assert done.code == 1
    text = "\n".join(answer(done))
    assert "sent  NOT AS SENT" in text
    assert "1 differs: 1 file is not what the sender wrote down; copied as it came." in text
    assert "A001/CLIPS/A001C001.mov" in text
    assert "2 missing: 1 file is in the sender's record and did not come." in text
    assert "DO  ask the sender to send it" in text
    assert "offload mend" not in text
    assert_no_card_words(done)


def test_json_tells_every_file_and_the_result(counter: Counter) -> None:
    flip(counter.sent / "A001/CLIPS/A001C001.mov", 700_000)
    counter.depot.sent.sync()
    done = counter.receive("--json")
    assert done.code == 1
    assert done.out.isascii()
    files = {line["path"]: line["state"] for line in done.lines if line["type"] == "file"}
    assert files["A001/CLIPS/A001C001.mov"] == "differs"
    assert files["A001/CLIPS/A001C002.mov"] == "as-recorded"
    result = done.result
    assert (result["type"], result["answer"], result["copies_counted"]) == (
        "result",
        "not-as-sent",
        2,
    )
    (roll,) = result["rolls"]
    assert [copy["drive"] for copy in roll["copies"]] == ["shuttle-1", "shuttle-2"]
    for copy in roll["copies"]:
        assert (copy["verified"], copy["generation"]) == (4, 2)
        assert copy["generation_records"] == {"verified": 3, "failed": 1, "original": 0}
        assert Path(copy["path"], "CLIPS/A001C001.mov").exists()


def test_too_few_drives_are_said_with_the_command(counter: Counter) -> None:
    done = counter.run("receive", counter.sent, "--to", counter.drives[0].root)
    assert done.code == 1
    first, second, *rest = answer(done)
    assert first.startswith("sent  AS SENT, NOT ON ENOUGH DRIVES YET")
    assert second.strip().startswith("Keep the delivery")
    assert any("too-few-copies: A001 is on 1 drive" in line for line in rest)
    assert counter.receive().code == 0


def test_own_drive_and_no_drive_are_wrong_usage(counter: Counter) -> None:
    assert counter.receive().code == 0
    own = counter.run("receive", counter.drives[0].root, *counter.to)
    assert own.code == 2
    assert "the station's own drive shuttle-1" in own.err
    none = counter.run("receive", counter.sent)
    assert none.code == 2
    assert "offload receive DRIVE --to DRIVE" in none.err


def test_copy_of_a_delivery_names_the_right_command(counter: Counter) -> None:
    done = counter.run("copy", counter.sent, *counter.to)
    assert done.code == 2
    assert f"offload receive {counter.sent}" in done.err
    assert not (counter.drives[0].root / "records").exists()


def test_history_tells_what_was_received(counter: Counter) -> None:
    counter.receive()
    line = counter.run("rolls").out.splitlines()[0]
    assert line.startswith("A001")
    assert "received as sent, at" in line
    whole = counter.run("rolls", "A001").out
    assert "offload check" not in whole
    page = Path(counter.run("page", "A001").out.splitlines()[0]).read_text()
    assert "Received as sent on " in page
    assert "Keep the card" not in page
    assert "may be erased" not in page


def test_history_tells_the_good_rolls_from_the_others(rack: Rack, tmp_path: Path) -> None:
    counter = Counter(rack, tmp_path, "A001", "A002")
    (counter.sent / "A002/CLIPS/A002C002.mov").unlink()
    assert counter.receive().code == 1
    lines = {line.split()[0]: line for line in counter.run("rolls").out.splitlines()}
    assert "received as sent, at" in lines["A001"]
    assert "received not as sent, at" in lines["A002"]


# --- a copy of ours, copied to a further drive


def test_copy_of_a_copy_says_no_card_words_and_goes_on(
    counter: Counter, rack: Rack, tmp_path: Path
) -> None:
    assert counter.receive().code == 0
    own = counter.drives[0].root
    third = rack.volume(EXT4, name="shuttle-3")
    roll = next(path.parent for path in own.rglob("ascmhl"))
    done = counter.run("copy", roll, "--to", third.root)
    assert done.code == 0, done.out + done.err
    assert answer(done)[0].startswith("A001  AS SENT  ")
    assert_no_card_words(done)
    copied = next(path.parent for path in third.root.rglob("ascmhl"))
    for path in roll.rglob("*"):
        if path.is_file() and "ascmhl" not in path.parts:
            assert (copied / path.relative_to(roll)).read_bytes() == path.read_bytes()
    manifests = sorted((copied / "ascmhl").glob("*.mhl"))
    assert [each.name[:4] for each in manifests] == ["0001", "0002", "0003"]
    # Which copy descends from which is in the record of the further one.
    assert f"copied from {roll}" in manifests[-1].read_text()
    descends = "the copy on shuttle-3 descends from the copy on shuttle-1: A001, ascmhl/0002_A001_"
    assert any(descends in line for line in done.out.splitlines() if "descent" in line)
    verified = counter.run("verify", third.root)
    assert verified.code == 0
    assert descends in verified.out
    assert "of an earlier time" not in verified.out
    checked = counter.run("check", roll)
    assert checked.code == 2
    assert f"offload verify {roll}" in checked.err
    assert_no_card_words(checked)


def test_copy_of_a_copy_goes_to_no_drive_that_holds_it(counter: Counter) -> None:
    assert counter.receive().code == 0
    roll = next(path.parent for path in counter.drives[0].root.rglob("ascmhl"))
    done = counter.run("copy", roll, "--to", counter.drives[0].root)
    assert done.code == 2
    assert "holds what is to be copied" in done.err
    for option in (("--missing",), ("--roll", "B001"), ("--card-reads", "1")):
        done = counter.run("copy", roll, *counter.to, *option)
        assert done.code == 2
        assert "are for cards" in done.err
    assert_no_card_words(done)


def test_damaged_copy_is_never_called_as_sent(counter: Counter, rack: Rack) -> None:
    assert counter.receive().code == 0
    own = counter.drives[0].root
    clip = next(own.rglob("A001C001.mov"))
    flip(clip, 700_000)
    third = rack.volume(EXT4, name="shuttle-3")
    roll = next(path.parent for path in own.rglob("ascmhl"))
    done = counter.run("copy", roll, "--to", third.root)
    assert done.code == 1
    assert answer(done)[0].startswith("A001  NOT AS SENT")
