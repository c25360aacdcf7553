"""The operations of ASC MHL 1.0, section 5.6, as a receiver meets them: what must come of each.

Histories, ignoring, actions and names are those of sections 5.3, 5.6.1.2, 6.3 and 6.5.1. Rows that
one part alone can show are in ``tests/record``; ``--names-only`` in ``tests/cli``.
"""

import io
import os
import re
import socket
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from offload.checksum import digest_of
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_result import Answer, FileState, Verification
from offload.jobs.verifying import Appending, VerifyTools, VerifyWish, verify_folder
from offload.record.mhl.chain import ChainEntry, chain_bytes
from offload.record.mhl.history import load_history
from offload.record.mhl.model import Process
from offload.record.mhl.naming import read_manifest_name
from offload.record.mhl.write import write_manifest
from tests.jobs.verify_scene import CLIPS, POST, STATION, Copies, flip, known, states, told
from tests.lab.images import EXT4, Rack
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


# --- collections: sections 5.5 and 8


@pytest.fixture
def letter(tmp_path: Path) -> Path:
    """Packing lists of two cards, in a folder below their collection."""
    letter = tmp_path / "letter"
    entries = []
    for number, title in enumerate((b"A001", b"A002"), 1):
        record = example.record(title + b"C001.mov", title, "xxh64")
        out = io.BytesIO()
        write_manifest(out, replace(example.HEAD, process=Process.FLATTEN), [record])
        path = b"lists/" + title + b".mhl"
        PlainFolder(letter).put(path, out.getvalue())
        entries.append(ChainEntry(number, path, digest_of("c4", out.getvalue())))
    PlainFolder(letter).put(b"ascmhl_collection.xml", chain_bytes(entries))
    return letter


def arrive(tmp_path: Path, letter: Path) -> Verification:
    delivery = Desk(PlainFolder(tmp_path / "drive"))
    delivery.put({b"A001C001.mov": b"A001"})
    delivery.hash({b"": [b"A001C001.mov"]})
    os.sync()
    wish = VerifyWish(
        os.fsencode(tmp_path / "drive"), expect=os.fsencode(letter / "ascmhl_collection.xml")
    )
    return verify_folder(wish, VerifyTools(BOTH))


def test_paths_of_a_collection_are_relative_to_it_and_move_along(
    tmp_path: Path, letter: Path
) -> None:
    (tmp_path / "in the post").mkdir()
    moved = letter.rename(tmp_path / "in the post/letter")
    found = arrive(tmp_path, moved)
    assert {each.manifest: each.has_arrived for each in found.arrivals} == {
        b"lists/A001.mhl": True,
        b"lists/A002.mhl": False,
    }
    assert found.reasons == ("not-arrived",)


def test_collection_with_repeated_numbers_is_taken_with_a_warning(
    tmp_path: Path, letter: Path
) -> None:
    """The figure of section 5.5 numbers both of its entries 1, against section 7.4.1."""
    collection = letter / "ascmhl_collection.xml"
    assert arrive(tmp_path, letter).notices == ()
    collection.write_text(collection.read_text().replace('sequencenr="2"', 'sequencenr="1"'))
    found = arrive(tmp_path, letter)
    assert [each.has_arrived for each in found.arrivals] == [True, False]
    (notice,) = found.notices
    assert notice.code == "mhl-collection-order"
    assert notice.path == b"ascmhl_collection.xml"
    # Likewise where it lies among what is verified.
    for path in letter.iterdir():
        path.rename(tmp_path / "drive" / path.name)
    codes = [each.code for each in verify(tmp_path / "drive").notices]
    assert codes.count("mhl-collection-order") == 1


# --- what the standard leaves open: names, links, folders that are no history


def test_name_that_differs_in_case_alone_is_another_file(desk: Desk) -> None:
    """Section 6.4.8: the case of paths is kept."""
    desk.put({b"a.mov": b"1", b"A.mov": b"2", "\u00fc".encode(): b"3", b"u\xcc\x88": b"4"})
    desk.hash({b"": [b"a.mov", b"A.mov", "\u00fc".encode(), b"u\xcc\x88"]})
    card = Path(os.fsdecode(desk.folder.path))
    assert states(verify(card)) == {"as-recorded": 4}
    (card / "A.mov").write_bytes(b"1")
    assert told(verify(card)) == {"A001/A.mov": "differs"}


@pytest.mark.parametrize("kind", ["link", "pipe", "socket"])
def test_what_is_no_file_is_told_and_never_verified(card: Path, kind: str) -> None:
    path = card / "Clips/odd"
    if kind == "link":
        path.symlink_to("a.mov")
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        with socket.socket(socket.AF_UNIX) as server:
            server.bind(os.fspath(path))
    found = verify(card, append=True)
    assert states(found) == {"as-recorded": 2}
    (notice,) = found.notices
    assert (notice.code, notice.path) == ("not-a-file", b"A001/Clips/odd")
    assert kind in notice.text
    assert "Clips/odd" not in newest(card)


def test_link_in_place_of_a_recorded_file_is_a_missing_file(card: Path) -> None:
    (card / "Clips/b.mov").rename(card.parent / "b.mov")
    (card / "Clips/b.mov").symlink_to(card.parent / "b.mov")
    assert told(verify(card)) == {"A001/Clips/b.mov": "missing"}


def test_folder_called_ascmhl_that_is_no_history_is_told(card: Path) -> None:
    """Every tool of the standard passes it over, with all footage that is in it."""
    (card / "Clips/ascmhl").mkdir()
    (card / "Clips/ascmhl/a.mov").write_bytes(b"footage")
    (notice,) = verify(card).notices
    assert (notice.code, notice.path) == ("ascmhl-without-history", b"A001/Clips/ascmhl")


@pytest.mark.parametrize(
    "path",
    [b"Clips/\xff.mov", b"Clips/\x01.mov", b"od\xffd/c.mov", b"od\x1bd/"],
    ids=["not-utf8", "control", "below", "empty-folder"],
)
def test_name_that_no_manifest_can_hold_is_an_error(card: Path, path: bytes) -> None:
    """XML 1.0, section 2.2: what cannot be recorded is told, and the folders lose their hashes."""
    where = os.path.join(os.fsencode(card), path)
    os.makedirs(os.path.dirname(where), exist_ok=True)
    if not path.endswith(b"/"):
        with open(where, "wb") as out:
            out.write(b"x")
    found = verify(card, append=True)
    assert (found.answer, found.not_appended) == (Answer.DIFFERS, "")
    assert found.reasons == ("name-not-recordable",)
    assert os.path.join(b"A001", path.rstrip(b"/")) in [each.path for each in found.faults]
    text = newest(card)
    assert actions(text, "Clips/a.mov") == both("verified")
    assert "<roothash>" not in text
    assert load_history(PlainFolder(card)).faults == ()
    # Without a new generation it is a stranger like any other.
    assert verify(card).answer is Answer.AS_RECORDED


def test_nested_history_in_a_folder_that_no_manifest_can_name(desk: Desk, card: Path) -> None:
    Desk(PlainFolder(os.fsencode(card) + b"/\xff")).put({b"a": b"1"})
    Desk(PlainFolder(os.fsencode(card) + b"/\xff"), 5).hash({b"": [b"a"]})
    found = verify(card, append=True)
    assert "give it another name" in found.not_appended
    assert len(list((card / "ascmhl").glob("*.mhl"))) == 1


@pytest.mark.lab
def test_volume_label_stands_in_the_name_of_its_history(rack: Rack) -> None:
    """Section 6.3 has the folder's name; the root of a volume has none of its own."""
    volume = rack.volume(EXT4, name="mounted-elsewhere", label="NIGHT-04")
    (volume.root / "lost+found").rmdir()
    desk = Desk(PlainFolder(volume.root))
    desk.put({b"a.mov": b"1"})
    desk.hash({b"": [b"a.mov"]})
    found = verify(volume.root, append=True)
    assert [os.path.basename(each.path)[:14] for each in found.appended] == [b"0002_NIGHT-04_"]


def test_record_is_written_folder_by_folder_children_first(copies: Copies) -> None:
    text = newest(copies.roll)
    paths = re.findall(r"<path[^>]*>(.*?)</path>", text[text.index("<hashes>") :])
    clips = [path for path in paths if path.startswith("Clips/")]
    assert paths == [*sorted(clips), "Clips", "Empty", "empty.txt"]
    # Every date has a zone.
    for date in re.findall(r'(?:date="|<creationdate>)([^"<]*)', text):
        assert datetime.fromisoformat(date).tzinfo is not None
