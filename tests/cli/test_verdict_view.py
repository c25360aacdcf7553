"""The verdict on a screen: the answer first, at any width, in any encoding, whatever the names."""

import fcntl
import io
import os
import re
import struct
import subprocess
import sys
import termios
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from rich.cells import cell_len

from offload.clearance import Context, command_line, decide
from offload.cli.verdict_view import Scene, scene_of, show, verdict_lines
from offload.jobs.clearing import Published
from offload.jobs.outcome import Outcome
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Facts, Policy
from offload.values.findings import Finding
from offload.values.inventory import Inventory
from offload.values.verdict import Verdict
from tests.clearance.cases import BAD, CLIP, GOOD, clip_finding, drive, good, with_drive

NOW = datetime(2026, 11, 24, 14, 32, 8, tzinfo=UTC)
A001 = Context(roll="A001", code="K7-4M2P", mount=b"/media/UNTITLED")
SCENE = Scene("A001", when=NOW)
WIDTHS = (60, 80, 132)
COLOUR = re.compile(r"\x1b\[[0-9;]*m")
HOSTILE = "a\x1b]0;X\x07b\rSAFE TO ERASE\x1b[2J[/b][red]\u202e<script>\x85"


def text(
    facts: Facts, width: int | None = 80, scene: Scene = SCENE, context: Context = A001
) -> str:
    lines = verdict_lines(decide(facts, context), scene, width)
    return "\n".join(line.text for line in lines) + "\n"


HELD = replace(
    with_drive(
        1, states=bytes([1, 1, 0, 0, 0]), failure="stopped answering at 02:04 (input/output error)"
    ),
    clip_findings=(clip_finding("clip-unfinished"),),
    notices=(Finding("sound-silent", "channel 2 is silent", CLIP),),
)


def test_cleared_card_says_so_first_and_what_it_rests_on() -> None:
    rows = (
        ("this card", "3 files, 2 KB, code K7-4M2P"),
        ("card read", "twice, both times the same"),
        ("record", "signed, on shuttle-1 and shuttle-2: records/A001/clearance-0001.json"),
    )
    assert text(good(), scene=replace(SCENE, rows=rows)) == (
        "A001  SAFE TO ERASE IN CAMERA                          Tue 24 Nov 2026, 14:32:08\n"
        "      Every byte is on 2 separate drives and was read back from both.\n"
        "  this card    3 files, 2 KB, code K7-4M2P\n"
        "  card read    twice, both times the same\n"
        "  shuttle-1    3 of 3 files equal, read from the device\n"
        "  shuttle-2    3 of 3 files equal, read from the device\n"
        "  record       signed, on shuttle-1 and shuttle-2:\n"
        "               records/A001/clearance-0001.json\n"
        "  True while it stays in this reader. Once it has left, ask again: offload check\n"
    )


def test_held_card_gives_reasons_in_order_with_commands() -> None:
    assert text(HELD) == (
        "A001  KEEP THE CARD. Do not erase.                     Tue 24 Nov 2026, 14:32:08\n"
        "      2 reasons, in the order to mend them. 0 of 3 files are proven on 2 drives.\n"
        "  1 too-few-copies: AUDIO and 3 more are on fewer than 2 drives that count.\n"
        "      AUDIO  CLIP/A001C001.mov  CLIP/A001C002.mov  INDEX.XML\n"
        "      shuttle-2: stopped answering at 02:04 (input/output error); 1 of 3 files\n"
        "      had been proven there.\n"
        "      AUDIO and 3 more are good on shuttle-1.\n"
        "      DO  other cable, plug the drive in, make room or move what is in the way,\n"
        "          then   offload copy A001\n"
        "      OR  give a drive of its own for it:\n"
        "          offload copy A001 --to shuttle-1 --to DRIVE\n"
        "  2 clip-unfinished: CLIP/A001C001.mov was never closed by the camera.\n"
        "      CLIP/A001C001.mov: seen by its structure.\n"
        "      DO  the camera can often close it, but writes to the card: let it, bring\n"
        "          the card back, then   offload copy A001\n"
        "      OR  decide that it may go, with name and reason, clip by clip:\n"
        "          offload settle A001 clip-unfinished CLIP/A001C001.mov --by NAME \\\n"
        "              --because TEXT\n"
        "  tell camera  CLIP/A001C001.mov: channel 2 is silent\n"
        "  Nothing is lost as long as the card is kept.\n"
    )


@pytest.mark.parametrize("width", [*WIDTHS, None])
@pytest.mark.parametrize("name", [*GOOD, *BAD])
def test_answer_is_first_and_never_one_word(name: str, width: int | None) -> None:
    facts = GOOD.get(name) or BAD[name][1]
    first = text(facts, width).split("\n")[0]
    words = "SAFE TO ERASE IN CAMERA" if name in GOOD else "KEEP THE CARD. Do not erase."
    assert first.startswith(f"A001  {words}")
    assert (name in GOOD) == ("SAFE TO ERASE" in text(facts, width))


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", [*GOOD, *BAD])
def test_no_line_is_wider_than_the_screen(name: str, width: int) -> None:
    facts = GOOD.get(name) or BAD[name][1]
    for line in text(facts, width).split("\n"):
        assert cell_len(line) <= width


@pytest.mark.parametrize("width", WIDTHS)
def test_wide_characters_take_their_columns(width: int) -> None:
    entries = Entries(Entry("夜のフェリー".encode() * 9 + b"%d" % at, Kind.FILE) for at in range(9))
    facts = Facts(Inventory(entries), b"\2" * 9, ())
    for line in text(facts, width).split("\n"):
        assert cell_len(line) <= width


@pytest.mark.parametrize("width", WIDTHS)
def test_long_name_is_shown_whole(width: int) -> None:
    name = b"".join(b"%03d/" % at for at in range(200)) + b"end.mov"
    facts = Facts(Inventory(Entries([Entry(name, Kind.FILE)])), b"\2", ())
    assert name.decode() in text(facts, width).replace("\n      ", "")


def test_pipe_gets_one_line_for_each_thing() -> None:
    lines = text(HELD, None).split("\n")
    assert (
        "      OR  decide that it may go, with name and reason, clip by clip:   "
        "offload settle A001 clip-unfinished CLIP/A001C001.mov --by NAME --because TEXT"
    ) in lines


def _typed(facts: Facts, width: int | None) -> list[str]:
    """The commands on the screen, put together again as a shell would."""
    shown = text(facts, width).replace(" \\\n", " ")
    return [
        " ".join(found.split()) for found in re.findall(r"offload (?:copy|check|settle).*", shown)
    ]


@pytest.mark.parametrize("width", [*WIDTHS, None])
@pytest.mark.parametrize("name", BAD)
def test_every_command_can_be_copied_off_the_screen(name: str, width: int | None) -> None:
    facts = BAD[name][1]
    ways = [way for hold in decide(facts, A001).holds for way in hold.ways if way.command]
    assert _typed(facts, width) == [command_line(way.command) for way in ways]


def test_broken_command_still_runs_in_a_shell() -> None:
    roll = "A001 with a long name, and 'quotes' and more of it"
    context = replace(A001, roll=roll)
    lines = verdict_lines(
        decide(good(clip_findings=(clip_finding("clip-empty"),)), context), SCENE, 60
    )
    shown = "\n".join(line.text for line in lines)
    command = shown[shown.index("offload settle") : shown.index("--because TEXT") + 14]
    assert "\\\n" in command
    script = 'offload() { for each in "$@"; do printf "%s|" "$each"; done; }\n' + command
    done = subprocess.run(["bash", "-c", script], capture_output=True, check=True, timeout=60)
    assert done.stdout.decode() == (
        f"settle|{roll}|clip-empty|CLIP/A001C001.mov|--by|NAME|--because|TEXT|"
    )


def test_check_says_what_erasing_would_cost() -> None:
    states = (bytes([1, 1, 1, 0, 0]), bytes([1, 1, 0, 0, 0]))
    drives = tuple(drive(name, name, each) for name, each in zip("ab", states, strict=True))
    shown = text(good(drives=drives), scene=replace(SCENE, is_check=True))
    assert (
        "      Erasing (formatting) now would lose 1 file for good; 1 is on a single\n"
        "      drive.\n"
        "  1 file       proven on 2 drives\n"
        "  1 file       proven on 1 drive only\n"
        "  1 file       proven nowhere\n"
    ) in shown


def test_declared_and_settled_are_said_with_the_words() -> None:
    facts = replace(GOOD["clip settled"], policy=Policy(card_reads=1))
    shown = text(facts, None)
    assert "; the card was read once." in shown.split("\n")[1]
    assert "  declared     The card is read once, as asked" in shown
    assert "  settled      CLIP/A001C001.mov: clip-unfinished was settled by the wrangler" in shown


def test_drive_that_does_not_count_says_why() -> None:
    shown = text(GOOD["third drive failed"])
    assert "  c            does not count: stopped answering\n" in shown
    assert "names and folders were not read anew" in text(GOOD["names not read anew"], None)


def test_notices_are_bounded() -> None:
    found = tuple(Finding("clip-odd", f"odd {at}", b"%d" % at) for at in range(500))
    shown = text(good(notices=found))
    assert shown.count("tell camera") == 12
    assert "488 more: see --json" in shown


def test_card_without_a_roll_is_called_by_its_label() -> None:
    facts = BAD["drive away"][1]
    shown = text(facts, scene=Scene("UNTITLED", is_label=True), context=Context())
    assert shown.startswith('CARD "UNTITLED"  KEEP THE CARD. Do not erase.\n')
    assert text(facts, scene=Scene("")).startswith("KEEP THE CARD. Do not erase.\n")


def _hostile(facts: Facts) -> tuple[Facts, Scene, Context]:
    raw = HOSTILE.encode()
    entries = Entries(replace(each, path=each.path + raw) for each in facts.inventory.entries)
    drives = tuple(
        replace(each, name=each.name + HOSTILE, failure=each.failure and HOSTILE)
        for each in facts.drives
    )
    finding = Finding("clip-odd", HOSTILE, raw)
    facts = replace(
        facts,
        inventory=Inventory(entries, facts.inventory.left_out),
        drives=drives,
        notices=(finding,),
    )
    scene = Scene(HOSTILE, when=NOW, rows=(("this card", HOSTILE),), is_check=True)
    return facts, scene, Context(roll=HOSTILE, mount=raw)


@pytest.mark.parametrize("width", [60, 80, None])
@pytest.mark.parametrize("name", ["two drives", "one copy asked for, one drive", *BAD])
def test_hostile_names_are_shown_literally(name: str, width: int | None) -> None:
    facts, scene, context = _hostile(GOOD.get(name) or BAD[name][1])
    shown = text(facts, width, scene, context)
    assert not any(ord(char) < 0x20 and char != "\n" for char in shown)
    assert not any(char in shown for char in "\x7f\x85\u202e")
    assert "[/b][red]" in shown.replace("\n", "").replace(" ", "")


class Stream(io.TextIOWrapper):
    """A pipe or file of one encoding that keeps what was written."""

    def __init__(self, encoding: str) -> None:
        self.kept = io.BytesIO()
        super().__init__(self.kept, encoding=encoding, errors="strict")


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii", "latin-1"])
def test_no_encoding_ends_the_job(encoding: str) -> None:
    # Field case: a tick mark raised on a console of another encoding.
    entries = Entries([Entry("夜 ✓ é.mov".encode(), Kind.FILE, 1)])
    drives = tuple(drive(name, name, b"\1") for name in ("Überspiel ✓", "b"))
    found = (clip_finding("clip-empty", "夜 ✓ é.mov".encode()),)
    facts = Facts(Inventory(entries), b"\1", drives, clip_findings=found)
    stream = Stream(encoding)
    show(decide(facts, A001), SCENE, stream)
    shown = stream.kept.getvalue().decode(encoding)
    assert shown.startswith("A001  KEEP THE CARD. Do not erase.")
    assert "clip-empty" in shown
    if encoding == "ascii":
        # The command is written in bytes that every encoding has, and still means the same.
        assert r"$'\345\244\234 \342\234\223 \303\251.mov'" in shown
        assert "\\u591c" in shown


def test_stream_without_encoding_gets_ascii() -> None:
    stream = io.StringIO()
    show(decide(good(), A001), replace(SCENE, name="é"), stream)
    assert stream.getvalue().startswith("\\xe9  SAFE TO ERASE IN CAMERA")


_SHOW = """
import sys
from tests.cli.test_verdict_view import HELD, A001, SCENE, _hostile
from offload.clearance import decide
from offload.cli.verdict_view import show
facts, scene, context = (HELD, SCENE, A001) if sys.argv[1] == "held" else _hostile(HELD)
show(decide(facts, context), scene, sys.stdout)
"""


def _on_a_terminal(columns: int, what: str, **environment: str) -> str:
    """What a real terminal of this width is sent."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    names = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    with subprocess.Popen(
        [sys.executable, "-c", _SHOW, what],
        stdout=theirs,
        env={**names, "TERM": "xterm-256color", "PYTHONPATH": ".", **environment},
    ) as child:
        os.close(theirs)
        shown = b""
        while True:
            try:
                block = os.read(ours, 65536)
            except OSError:  # Linux ends a terminal whose other side has closed with EIO.
                break
            if not block:
                break
            shown += block
        assert child.wait(60) == 0
    os.close(ours)
    return shown.decode("utf-8").replace("\r\n", "\n")


def test_terminal_shows_the_same_lines_with_colour() -> None:
    shown = _on_a_terminal(80, "held")
    assert COLOUR.search(shown)
    assert COLOUR.sub("", shown) == text(HELD)


def test_terminal_without_colour_shows_the_same_lines() -> None:
    shown = _on_a_terminal(80, "held", NO_COLOR="1")
    assert not re.search(r"\x1b\[[0-9;]*3[0-9]m", shown)
    assert COLOUR.sub("", shown) == text(HELD)


def test_narrow_terminal_gets_sixty_columns() -> None:
    assert COLOUR.sub("", _on_a_terminal(40, "held")) == text(HELD, 60)


def test_terminal_takes_no_order_from_a_name() -> None:
    shown = COLOUR.sub("", _on_a_terminal(80, "hostile"))
    assert not any(ord(char) < 0x20 and char != "\n" for char in shown)
    assert "[/b][red]" in shown


def test_reader_that_has_gone_changes_no_exit_code() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", f"{_SHOW}\nsys.exit(7)", "held"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": "."},
    ) as child:
        assert child.stdout is not None and child.stderr is not None
        child.stdout.close()
        assert child.wait(60) == 7
        assert child.stderr.read() == b""


def _outcome(facts: Facts, **changes: Any) -> Outcome:
    verdict: Verdict = decide(facts, A001)
    paths = {
        name: f"/mnt/{name}/Night Ferry/records/A001/clearance-0001.json".encode() for name in "ab"
    }
    made = Outcome(
        verdict=verdict,
        facts=facts,
        context=A001,
        card=b"/media/UNTITLED",
        label="UNTITLED",
        clearance=Published("c4", paths, b"") if verdict.is_cleared else None,
        recorded={},
        started_at=NOW,
        ended_at=NOW,
    )
    return replace(made, **changes)


def test_scene_tells_card_readings_and_record() -> None:
    left_out = Entries([Entry(b".Spotlight-V100/a", Kind.FILE, 1)])
    facts = good(inventory=replace(good().inventory, left_out=left_out))
    assert scene_of(_outcome(facts)).rows == (
        ("this card", "3 files, 2 KB, code K7-4M2P"),
        ("card read", "twice, both times the same; 1 computer file left out"),
        ("record", "signed, on a and b"),
    )


@pytest.mark.parametrize("width", [None, 60, 80, 120])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_path_of_the_record_can_be_pasted_into_a_shell(
    width: int | None, ascii_only: bool, tmp_path: Path
) -> None:
    """The shell's own reading (POSIX.1-2024, 2.2) of what stands on the screen, line by line."""
    folder = "Night Ferry  it's Tag 3 ä/records/A001"
    paths = {
        name: f"/mnt/{name}/{folder}/clearance-0001.json".encode()
        for name in ("shuttle-1", "shuttle-2 of the second unit")
    }
    outcome = replace(_outcome(good()), clearance=Published("c4", paths, b""))
    lines = verdict_lines(outcome.verdict, scene_of(outcome), width, ascii_only=ascii_only)
    (line,) = [each.text for each in lines if "clearance-0001" in each.text]
    word = line[max(line.find("'"), line.find("$'"), 0) if "$'" not in line else line.find("$'") :]
    (tmp_path / folder).mkdir(parents=True)
    (tmp_path / folder / "clearance-0001.json").write_text("found")
    shell = subprocess.run(
        ["bash", "-c", f"cat {word}"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert shell.stdout == "found"


def test_plain_path_of_the_record_stays_on_its_line() -> None:
    outcome = _outcome(good())
    lines = [each.text for each in verdict_lines(outcome.verdict, scene_of(outcome), 100)]
    path = "'Night Ferry/records/A001/clearance-0001.json'"
    assert f"  record       signed, on a and b: {path}" in lines


def test_scene_says_that_the_card_was_read_once() -> None:
    rows = dict(scene_of(_outcome(good(policy=Policy(card_reads=1)))).rows)
    assert rows["card read"] == "once"


@pytest.mark.parametrize(
    ("context", "label", "name", "is_label"),
    [
        pytest.param(A001, "UNTITLED", "A001", False, id="roll"),
        pytest.param(Context(code="K7-4M2P"), "UNTITLED", "K7-4M2P", False, id="code"),
        pytest.param(Context(), "UNTITLED", "UNTITLED", True, id="label"),
        pytest.param(Context(), "", "/media/UNTITLED", False, id="mount point"),
    ],
)
def test_scene_calls_the_card_by_what_is_known(
    context: Context, label: str, name: str, is_label: bool
) -> None:
    scene = scene_of(_outcome(good(), context=context, label=label))
    assert (scene.name, scene.is_label) == (name, is_label)
