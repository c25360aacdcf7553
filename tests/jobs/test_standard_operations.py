"""The operations of ASC MHL 1.0, section 5.6, as a receiver meets them: what must come of each.

Histories, ignoring, actions and names are those of sections 5.3, 5.6.1.2, 6.3 and 6.5.1. Rows that
one part alone can show are in ``tests/record``; ``--names-only`` in ``tests/cli``.
"""

import os
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_result import Answer, FileState, Verification
from offload.jobs.verifying import Appending, VerifyTools, VerifyWish, verify_folder
from offload.record.mhl.chain import chain_bytes
from offload.record.mhl.naming import read_manifest_name
from tests.jobs.verify_scene import CLIPS, POST, STATION, Copies, flip, known, states, told
from tests.record import example
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder

BOTH = known(("station", STATION), ("post", POST))
SCOPES = [b"", b"M", b"M/Cam/A001", b"M/Cam/A002", b"M/Snd/S001"]


def verify(folder: Path, *, append: bool = False, **tools: object) -> Verification:
    appending = Appending(POST, "post", ("xxh64",)) if append else None
    os.sync()
    return verify_folder(
        VerifyWish(os.fsencode(folder), appending),
        VerifyTools(BOTH, **tools),  # type: ignore[arg-type]
    )


def manifests(folder: Path) -> dict[str, int]:
    """By scope, how many generations it has."""
    return {
        os.fspath(each.parent.relative_to(folder)): len(list(each.glob("*.mhl")))
        for each in folder.rglob("ascmhl")
    }


def newest(scope: Path) -> str:
    return max((scope / "ascmhl").glob("*.mhl")).read_text()


def record_of(text: str, path: str) -> str:
    """The one record of a path in a manifest; empty where there is none."""
    found = [one for one in re.findall(r"<hash>.*?</hash>", text, re.S) if f">{path}</path>" in one]
    assert len(found) < 2
    return found[0] if found else ""


def actions(text: str, path: str) -> dict[str, str]:
    return dict(re.findall(r'<(\w+) action="(\w+)"', record_of(text, path)))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(PlainFolder(tmp_path / "A001"))


@pytest.fixture
def card(desk: Desk) -> Path:
    """A card with one generation of xxh64."""
    desk.put({b"Clips/a.mov": b"one", b"Clips/b.mov": b"two"})
    desk.hash({b"": [b"Clips/a.mov", b"Clips/b.mov"]}, folder_formats=("xxh64",))
    return Path(os.fsdecode(desk.folder.path))


# --- histories and nesting: section 5.3.2, the scenarios of its figures


@pytest.fixture
def day(tmp_path: Path) -> Path:
    """Histories at Day, Day/M, Day/M/Cam/A001, Day/M/Cam/A002, Day/M/Snd/S001."""
    day = tmp_path / "Day"
    desk = Desk(PlainFolder(day))
    for scope in SCOPES:
        below = scope + b"/" if scope else b""
        desk.put({below + b"one.mov": b"1" + scope, below + b"two.mov": b"2" + scope})
    desk.hash({scope: [b"one.mov", b"two.mov"] for scope in SCOPES}, folder_formats=("xxh64",))
    return day


def test_file_renamed_in_one_card_adds_to_that_card_alone(day: Path) -> None:
    (day / "M/Cam/A002/one.mov").rename(day / "M/Cam/A002/best.mov")
    found = verify(day / "M/Cam/A002", append=True)
    assert found.not_appended == ""
    assert manifests(day) == {".": 1, "M": 1, "M/Cam/A001": 1, "M/Cam/A002": 2, "M/Snd/S001": 1}
    # References of the histories above are simply old now, which is no error.
    assert verify(day).answer is Answer.AS_RECORDED


def test_verifying_the_day_adds_to_each_from_within_at_one_time(day: Path) -> None:
    found = verify(day, append=True)
    assert found.answer is Answer.AS_RECORDED
    order = [os.fsdecode(each.scope) for each in found.appended]
    assert order == ["Day/M/Cam/A001", "Day/M/Cam/A002", "Day/M/Snd/S001", "Day/M", "Day"]
    assert set(manifests(day).values()) == {2}
    # The figure prints three different times; section 6.3 wins.
    names = [read_manifest_name(os.path.basename(each.path)) for each in found.appended]
    assert len({each.started_at for each in names if each}) == 1
    referred = re.findall(r"<path>(.*?/ascmhl)/0002_", newest(day / "M"))
    assert referred == ["Cam/A001/ascmhl", "Cam/A002/ascmhl", "Snd/S001/ascmhl"]
    assert re.findall(r"<path>(.*?/ascmhl)/0002_", newest(day)) == ["M/ascmhl"]
    assert verify(day).answer is Answer.AS_RECORDED


# --- file names: section 6.3


def test_name_bears_the_start_of_the_operation_in_utc(card: Path) -> None:
    zone = UTC
    moments = iter(
        datetime(2026, 3, 1, 23, 59, 58, tzinfo=zone) + timedelta(hours=n) for n in range(99)
    )
    machine = replace(Surroundings(), now=lambda: next(moments))
    found = verify(card, append=True, surroundings=machine)
    assert os.path.basename(found.appended[0].path) == b"0002_A001_2026-03-01_235958Z.mhl"
    # The manifest itself says when it was made, which was later.
    made = re.search(r"<creationdate>(.*?)</creationdate>", newest(card))
    assert made is not None
    assert datetime.fromisoformat(made.group(1)) > datetime(2026, 3, 2, 0, 30, tzinfo=UTC)


# --- actions: section 6.5.1, guidelines 2.3 and 2.7; generation 1 has xxh64 original


def same(card: Path) -> None:
    """Nothing is done to it."""


def changed(card: Path) -> None:
    flip(card / "Clips/a.mov")


def gone(card: Path) -> None:
    (card / "Clips/a.mov").unlink()


def renamed(card: Path) -> None:
    (card / "Clips/a.mov").rename(card / "Clips/c.mov")


def renamed_and_changed(card: Path) -> None:
    renamed(card)
    flip(card / "Clips/c.mov")


def both(action: str) -> dict[str, str]:
    """One reading gives the old format, which is checked, and the new one."""
    return {"xxh128": action, "xxh64": action}


@pytest.mark.parametrize(
    ("harm", "reasons", "at_a", "at_c"),
    [
        (same, (), both("verified"), {}),
        (changed, ("differs",), both("failed"), {}),
        (gone, ("missing",), {}, {}),
        # Equal content shows that it is the same file (guidelines 2.8, optional).
        (renamed, ("renamed",), {}, both("verified")),
        (renamed_and_changed, ("missing",), {}, both("original")),
    ],
    ids=["same", "changed", "gone", "renamed", "renamed-and-changed"],
)
def test_what_the_next_generation_says(
    card: Path, harm: object, reasons: tuple[str, ...], at_a: object, at_c: object
) -> None:
    harm(card)  # type: ignore[operator]
    found = verify(card, append=True)
    assert found.reasons == reasons
    text = newest(card)
    assert (actions(text, "Clips/a.mov"), actions(text, "Clips/c.mov")) == (at_a, at_c)
    assert actions(text, "Clips/b.mov") == both("verified")


def test_failed_value_is_the_one_found_now(card: Path) -> None:
    flip(card / "Clips/a.mov")
    verify(card, append=True)
    now = digest_of("xxh64", (card / "Clips/a.mov").read_bytes()).hex()
    assert f'<xxh64 action="failed">{now}</xxh64>' in record_of(newest(card), "Clips/a.mov")


def test_changed_file_is_never_blessed(card: Path) -> None:
    """Section 5.6.4: only a good copy put back cures it."""
    flip(card / "Clips/a.mov")
    for _ in range(3):
        assert verify(card, append=True).reasons == ("differs",)
    flip(card / "Clips/a.mov")
    assert verify(card, append=True).answer is Answer.AS_RECORDED


def test_folders_have_no_action(card: Path) -> None:
    verify(card, append=True)
    folders = re.findall(r"<directoryhash>.*?</directoryhash>", newest(card), re.S)
    assert folders and not any("action" in each for each in folders)


def rewrite_second(card: Path, old: bytes, new: bytes) -> None:
    """Change generation 2, and make the chain fit."""
    desk = Desk(PlainFolder(card))
    entries = list(desk.history().chain.entries)
    path = b"ascmhl/" + entries[1].path
    content = desk.folder.content(path)
    assert old in content
    content = content.replace(old, new)
    desk.folder.replace(path, content)
    entries[1] = replace(entries[1], c4=digest_of("c4", content))
    desk.folder.replace(b"ascmhl/ascmhl_chain.xml", chain_bytes(entries))


def test_history_that_contradicts_itself_is_told(desk: Desk, card: Path) -> None:
    """Section 6.5.1: two values in one format, and neither of them failed."""
    desk.hash({b"": [b"Clips/a.mov", b"Clips/b.mov"]})
    assert verify(card).answer is Answer.AS_RECORDED
    one, other = (digest_of("xxh64", each).hex().encode() for each in (b"one", b"six"))
    rewrite_second(card, one, other)
    found = verify(card)
    assert found.answer is Answer.DIFFERS
    assert found.reasons == ("history-contradicts",)
    (fault,) = found.faults
    assert fault.path == b"A001/Clips/a.mov"
    assert "xxh64" in fault.text
    # The earliest one counts, and by that the file is as it was.
    assert states(found) == {"as-recorded": 2}
    # One that failed contradicts nothing.
    rewrite_second(card, other + b"<", other + b"<")
    text = b'action="verified">' + other
    rewrite_second(card, text, text.replace(b"verified", b"failed"))
    assert verify(card).answer is Answer.AS_RECORDED


def test_recorded_in_no_usable_format_is_no_success(desk: Desk, card: Path) -> None:
    """Section 5.6.1.3: a check needs a format that is recorded; here no hash has an action."""
    desk.put({b"new.mov": b"3"})
    desk.hash({b"": [b"new.mov"]})
    rewrite_second(card, b' action="original"', b"")
    found = verify(card)
    assert found.answer is Answer.DIFFERS
    assert told(found) == {"A001/new.mov": "not-verifiable"}


# --- ignoring: section 5.6.1.2, guidelines 2.4


def test_ignored_file_is_not_missed_though_it_was_recorded_before(desk: Desk, card: Path) -> None:
    """The one way to be rid of a file that is gone for ever."""
    (card / "Clips/b.mov").unlink()
    assert verify(card).reasons == ("missing",)
    desk.hash({b"": [b"Clips/a.mov"]}, patterns=("b.mov",))
    found = verify(card)
    assert (found.answer, found.missing) == (Answer.AS_RECORDED, ())


def test_ignored_file_that_comes_later_is_no_stranger(desk: Desk, card: Path) -> None:
    desk.hash({b"": [b"Clips/a.mov"]}, patterns=("*.tmp",))
    (card / "Clips/x.tmp").write_bytes(b"x")
    found = verify(card, append=True)
    assert found.count(FileState.NOT_RECORDED) == 0
    assert "x.tmp" not in re.sub(r"<ignore>.*?</ignore>", "", newest(card))
    ignored = re.search(r"<ignore>(.*?)</ignore>", newest(card))
    assert ignored is not None
    assert re.findall(r"<pattern>(.*?)</pattern>", ignored.group(1)) == [
        ".DS_Store",
        "ascmhl/",
        "*.tmp",
    ]


# --- verify and append: section 5.6


def test_appending_touches_no_earlier_manifest(card: Path) -> None:
    first = next((card / "ascmhl").glob("0001_*"))
    before = (first.read_bytes(), first.stat().st_mtime_ns, first.stat().st_ino)
    verify(card, append=True)
    assert (first.read_bytes(), first.stat().st_mtime_ns, first.stat().st_ino) == before
    assert list(manifests(card).values()) == [2]
    chain = (card / "ascmhl/ascmhl_chain.xml").read_text()
    assert re.findall(r'sequencenr="(\d+)"', chain) == ["1", "2"]


def test_verifying_alone_is_process_in_place(card: Path) -> None:
    """Section 6.4.6: nothing was moved or copied."""
    verify(card, append=True)
    assert "<process>in-place</process>" in newest(card)


def test_copy_from_a_card_is_process_transfer(copies: Copies) -> None:
    """Section 6.4.6: copied, and the tool guarantees that both are identical."""
    text = newest(copies.roll)
    assert "<process>transfer</process>" in text
    for path in CLIPS:
        assert set(actions(text, path).values()) == {"original"}
        # Every hash of a file says what it stands for: section 6.5.1.
        assert "action" not in re.sub(r'<\w+ action="\w+">', "", record_of(text, path))
        hashes = re.findall(r"<(?:c4|md5|sha1|xxh\w+)\b[^>]*>", record_of(text, path))
        assert len(hashes) == len(actions(text, path)) > 0


def test_stand_alone_manifest_is_reported_on_and_nothing_is_written(tmp_path: Path) -> None:
    """Section 5.6.2: it lies in the folder that it speaks of, and is no file of it."""
    folder = tmp_path / "A001"
    for path, content in example.FILES.items():
        PlainFolder(folder).put(path, content)
    (folder / "received.mhl").write_bytes(example.MANIFEST)
    before = sorted(folder.rglob("*"))
    found = verify(folder, append=True)
    assert states(found) == {"as-recorded": len(example.FILES)}
    assert "no history" in found.not_appended
    assert sorted(folder.rglob("*")) == before
    (folder / "Sidecar.txt").write_bytes(b"take 2 good\n")
    assert told(verify(folder)) == {"Sidecar.txt": "differs"}


def test_first_difference_stops_nothing(card: Path) -> None:
    """Guidelines 2.7: all are told, not the first or the last."""
    for name in ("a.mov", "b.mov"):
        flip(card / "Clips" / name)
    assert told(verify(card)) == {"A001/Clips/a.mov": "differs", "A001/Clips/b.mov": "differs"}
