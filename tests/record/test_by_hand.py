"""The commands of the text beside a record, taken out of it and given to a shell."""

import os
import subprocess
from pathlib import Path

import pytest

from offload.record.by_hand import commands_in
from tests.jobs.verify_scene import POST, STATION, Copies, flip, known

CLIPS = {"Clips/A001C001.mov": b"take 1", "new\nline.mov": b"take 2", "back\\slash": b"3"}


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Copies:
    return Copies.make(tmp_path_factory.mktemp("master"), CLIPS)


def run_all(copies: Copies) -> list[int]:
    """Exit codes of the commands of the text, run where it says."""
    text = (copies.records / "check-by-hand.txt").read_bytes()
    commands = commands_in(text)
    return [
        subprocess.run(["bash", "-c", command], cwd=copies.drive, capture_output=True).returncode
        for command in commands
    ]


def test_four_commands_of_stock_tools_accept_the_record(copies: Copies) -> None:
    text = (copies.records / "check-by-hand.txt").read_text()
    commands = commands_in(text.encode())
    assert [command.split()[0] for command in commands] == ["ssh-keygen"] * 3 + ["sha512sum"]
    assert STATION.public.fingerprint in text
    assert run_all(copies) == [0, 0, 0, 0]


def test_each_command_refuses_what_was_changed(copies: Copies) -> None:
    changes = [
        copies.chain,
        copies.manifest,
        copies.records / "A001.sha512",
        copies.roll / "Clips/A001C001.mov",
    ]
    for number, path in enumerate(changes):
        content = path.read_bytes()
        flip(path, len(content) // 2)
        codes = run_all(copies)
        assert codes[number] != 0
        # A changed list names other sums, so the files are not as it says either.
        refused = [at for at, code in enumerate(codes) if code]
        assert refused in ([number], [2, 3])
        path.write_bytes(content)
    assert run_all(copies) == [0, 0, 0, 0]


def test_text_follows_the_receiver_who_signs_next(copies: Copies) -> None:
    both = known(("station", STATION), ("post", POST))
    copies.verify(signers=both, append_as=("post", POST))
    text = (copies.records / "check-by-hand.txt").read_text()
    assert "0002_A001_" in text
    assert POST.public.fingerprint in text
    assert run_all(copies) == [0, 0, 0, 0]


@pytest.mark.parametrize("roll", ["A 001", "it's", "-n", "$(touch x)", "a;b", "\u00dcn\u00ef"])
def test_odd_rolls_are_quoted(tmp_path: Path, roll: str) -> None:
    from offload.clearance.shell import quoted
    from offload.record.by_hand import ByHand, by_hand_text

    name = os.fsencode(roll)
    text = by_hand_text(
        ByHand(
            name,
            b"records/" + name,
            b"0001_" + name + b".mhl",
            "station",
            name + b".md5",
            "md5",
            "station",
            "SHA256:x",
        ),
        quoted,
    )
    commands = commands_in(text)
    assert len(commands) == 4
    where = tmp_path / "records" / roll
    where.mkdir(parents=True)
    (tmp_path / roll).mkdir()
    (where / f"{roll}.md5").write_bytes(b"9dd4e461268c8034f5c8564e155c67a6  " + name + b"/a\n")
    (tmp_path / roll / "a").write_bytes(b"x")
    done = subprocess.run(["bash", "-c", commands[3]], cwd=tmp_path, capture_output=True)
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "x").exists()
