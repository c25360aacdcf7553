"""What one walk finds on real card images, and what its digest and the card code stand on.

Sources: POSIX file types; Unicode Annex 15 (composed and decomposed forms); RFC 1740 (AppleDouble);
SHA-256 by ``sha256sum`` (FIPS 180-4), xxh128 roots handed in.
"""

import hashlib
import os
import subprocess
import tracemalloc
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from offload.card.inventory import Walk, take_inventory
from offload.errors import CardError
from offload.storage.root import Root
from offload.values.entries import Entry, Kind
from offload.values.inventory import card_code
from offload.volumes.mount_ids import is_same_mounting
from tests.lab.cards import FOLDER, LINK, NAMES, Item, hostile_tree, trees, write_tree
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import EXFAT, EXT4, NTFS, FileSystem, Rack

APPLE_DOUBLE = bytes.fromhex("0005160700020000") + bytes(16) + bytes.fromhex("0000")
QUICKTIME = bytes.fromhex("00000014") + b"ftypqt  " + bytes(8) + bytes(400)

Found = dict[bytes, Entry]


def walk(top: Path) -> Walk:
    with Root(os.fsencode(top), keep_times=True) as root:
        return take_inventory(root, lambda path, fd: not is_same_mounting(fd, root.fd))


def entries(found: Walk) -> Found:
    return {entry.path: entry for entry in found.inventory.entries}


def is_text(name: bytes) -> bool:
    try:
        name.decode()
    except UnicodeDecodeError:
        return False
    return True


def left_out(found: Walk) -> Found:
    return {entry.path: entry for entry in found.inventory.left_out}


# --- everything that is there


@pytest.fixture
def card(rack: Rack) -> Path:
    top = rack.volume(EXT4, name="card").root
    (top / "lost+found").rmdir()
    return top


KINDS = {
    "file": Kind.FILE,
    "hard": Kind.FILE,
    "folder": Kind.FOLDER,
    "link": Kind.LINK,
    "pipe": Kind.PIPE,
    "socket": Kind.SOCKET,
    "character": Kind.DEVICE,
    "block": Kind.DEVICE,
}


@pytest.mark.lab
def test_a_hostile_card_is_listed_to_the_last_name(card: Path) -> None:
    """Every odd name, every kind of thing, a path longer than the system's longest: each once."""
    tree = write_tree(card, hostile_tree())
    found = walk(card)
    # Pipes and devices alone: nothing in that folder is copied, so it is an entry itself.
    expected = {item.path: KINDS[item.kind] for item in tree} | {b"OTHERS": Kind.FOLDER}
    assert {path: entry.kind for path, entry in entries(found).items()} == expected
    sizes = {item.path: len(item.content) for item in tree if item.kind == "file"}
    assert {path: entries(found)[path].size_bytes for path in sizes} == sizes
    assert left_out(found) == {}
    assert found.inventory.file_count == sum(kind is Kind.FILE for kind in expected.values())


@pytest.mark.lab
def test_links_keep_what_they_say_and_lead_nowhere(card: Path) -> None:
    tree = write_tree(card, hostile_tree(is_deep=False))
    found = entries(walk(card))
    assert not any(path.startswith(b"LINKS/folder/") for path in found)
    for item in tree:
        if item.kind == LINK:
            entry = found[item.path]
            assert (entry.size_bytes, bool(entry.note)) == (0, True)
            assert entry.note.isprintable(), "what a link says reaches a screen"
    assert found[b"LINKS/outside"].note == "/etc/passwd"


@pytest.mark.lab
@pytest.mark.parametrize("fs", [EXT4, EXFAT, NTFS], ids=lambda fs: fs.name)
def test_odd_names_of_cameras_file_systems(rack: Rack, fs: FileSystem) -> None:
    top = rack.volume(fs, name="card").root
    # One of the drivers ends itself when it is given a name that is no text.
    names = NAMES if fs is EXT4 else [name for name in NAMES if is_text(name)]
    tree = write_tree(top, [Item(b"N/" + name, content=name) for name in names], skip_refused=True)
    assert len(tree) > 20
    with Root(os.fsencode(top)) as root:
        # A driver may keep another form of a name; what it lists is what can be copied.
        kept = {b"N/" + name for name in root.names(b"N")}
    found = entries(walk(top))
    assert {path for path in found if path.startswith(b"N/")} == kept
    assert all(entry.kind is Kind.FILE for path, entry in found.items() if path in kept)


@pytest.mark.lab
@pytest.mark.parametrize(
    "name",
    [
        pytest.param(b"new\nline.mov", id="newline"),
        pytest.param(b"-rf", id="leading-dash"),
        pytest.param(b"trail.mov ", id="trailing-space"),
        pytest.param(b"x" * 255, id="longest"),
        pytest.param(b"\xff\xfe.mov", id="no-text"),
        pytest.param(b"\x1b[2J.mov", id="escape"),
        pytest.param(b"...", id="dots"),
    ],
)
def test_one_odd_name(card: Path, name: bytes) -> None:
    write_tree(card, [Item(name, content=b"12345"), Item(b"B/" + name + b"/C1.mov")])
    found = entries(walk(card))
    assert found[name] == Entry(name, Kind.FILE, 5, found[name].mtime_ns)
    assert set(found) == {name, b"B/" + name + b"/C1.mov"}


@pytest.mark.lab
def test_composed_and_decomposed_names_are_two_files(card: Path) -> None:
    names = [unicodedata.normalize(form, "caf\u00e9.mov").encode() for form in ("NFC", "NFD")]
    write_tree(card, [Item(name, content=name) for name in names])
    assert {path: e.size_bytes for path, e in entries(walk(card)).items()} == {
        name: len(name) for name in names
    }
    assert len(set(names)) == 2


@pytest.mark.lab
@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(tree=trees())
def test_any_tree_is_listed_whole(card: Path, tree: tuple[Item, ...]) -> None:
    place = card / f"T{len(list(card.iterdir()))}"
    written = write_tree(place, tree)
    found = walk(place)
    seen = {**entries(found), **left_out(found)}
    for item in written:
        if item.kind != FOLDER:
            assert seen[item.path].kind is KINDS[item.kind]
    files = {e.path: e.size_bytes for e in seen.values() if e.kind is Kind.FILE}
    assert files == {i.path: len(i.content) for i in written if i.kind == "file"}


@pytest.mark.lab
def test_a_folder_is_named_only_where_nothing_in_it_is_copied(card: Path) -> None:
    write_tree(
        card,
        [
            Item(b"EMPTY", FOLDER),
            Item(b"FULL/C1.mov", content=b"1"),
            Item(b"ONLY_LINK/link", LINK, target=b"x"),
            Item(b"NESTED/EMPTY", FOLDER),
            Item(b"DESK/.DS_Store", content=b"x"),
        ],
    )
    folders = {p for p, e in entries(walk(card)).items() if e.kind is Kind.FOLDER}
    assert folders == {b"EMPTY", b"ONLY_LINK", b"NESTED/EMPTY", b"DESK"}


# --- what could not be read is never nothing


def test_a_folder_without_permission_is_an_entry(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    (fs.backing / "CLIPS").mkdir()
    (fs.backing / "CLIPS/C1.mov").write_bytes(b"clip")
    fs.plan(Fault("opendir", count=0, path="CLIPS", errno="EACCES"))
    found = entries(walk(fs.root))
    assert found[b"CLIPS"].kind is Kind.UNREADABLE
    assert "ermission" in found[b"CLIPS"].note


def test_a_listing_that_breaks_off_is_an_entry(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    for folder in ("A", "B"):
        (fs.backing / folder).mkdir()
        (fs.backing / folder / "C1.mov").write_bytes(b"clip")
    fs.plan(Fault("readdir", count=0, path="A"))
    found = entries(walk(fs.root))
    assert found[b"A"].kind is Kind.UNREADABLE
    assert found[b"B/C1.mov"].kind is Kind.FILE


def test_an_entry_without_facts_is_an_entry(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    (fs.backing / "C1.mov").write_bytes(b"clip")
    (fs.backing / "C2.mov").write_bytes(b"clip")
    fs.plan(Fault("getattr", count=0, path="C1.mov"))
    found = entries(walk(fs.root))
    assert (found[b"C1.mov"].kind, found[b"C2.mov"].kind) == (Kind.UNREADABLE, Kind.FILE)


def test_a_card_that_cannot_be_listed_is_not_an_empty_one(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    fs.plan(Fault("readdir", count=0))
    with pytest.raises(CardError, match="cannot be listed") as caught:
        walk(fs.root)
    assert caught.value.remedy


def test_a_link_that_cannot_be_read_says_why(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    (fs.backing / "link").symlink_to("x")
    fs.plan(Fault("readlink", count=0))
    link = entries(walk(fs.root))[b"link"]
    assert link.kind is Kind.LINK and "rror" in link.note


@pytest.mark.lab
def test_a_listing_that_names_one_file_twice_keeps_both(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    (fs.backing / "C1.mov").write_bytes(b"clip")
    fs.plan(Fault("readdir", "double", count=0, name="C1.mov"))
    found = walk(fs.root).inventory
    assert [entry.path for entry in found.entries] == [b"C1.mov"] * 2
    assert list(found.entries.doubled()) == [1]


# --- another file system inside


@pytest.mark.lab
@pytest.mark.parametrize("kind", ["tmpfs", "bind", "bind-of-the-card"])
def test_another_mounting_inside_is_named_and_not_entered(
    rack: Rack, card: Path, tmp_path: Path, kind: str
) -> None:
    write_tree(card, [Item(b"IN/C1.mov", content=b"1"), Item(b"CLIPS/C2.mov", content=b"2")])
    source = card / "CLIPS"
    if kind == "tmpfs":
        source = rack.tmpfs("memory", 1 << 20)
    elif kind == "bind":
        source = tmp_path / "elsewhere"
        source.mkdir()
    (source / "C3.mov").write_bytes(b"3")
    rack.bind_at(source, card / "IN")
    found = entries(walk(card))
    assert found[b"IN"].kind is Kind.MOUNT
    assert not any(path.startswith(b"IN/") for path in found)
    assert found[b"CLIPS/C2.mov"].kind is Kind.FILE


@pytest.mark.lab
def test_a_mounting_under_a_name_of_the_computers_is_not_left_out(rack: Rack, card: Path) -> None:
    (card / ".fseventsd").mkdir()
    rack.bind_at(rack.tmpfs("memory", 1 << 20), card / ".fseventsd")
    found = walk(card)
    assert entries(found)[b".fseventsd"].kind is Kind.MOUNT
    assert left_out(found) == {}


# --- left out: little, and named


COMPUTERS = {
    b".Spotlight-V100/Store-V2/a": b"index",
    b".Spotlight-V100/VolumeConfiguration.plist": b"<plist/>",
    b".fseventsd/0000000000a1": b"events",
    b"System Volume Information/WPSettings.dat": b"settings",
    b".DS_Store": b"\0\0\0\1Bud1",
    b"DCIM/.DS_Store": b"\0\0\0\1Bud1",
    b"DCIM/._C1.MOV": APPLE_DOUBLE,
    b"._DCIM": APPLE_DOUBLE,
}
"""The design's list, each rule at least once."""

FOOTAGE = {
    b"DCIM/C1.MOV": QUICKTIME,
    # Beside no X of its own, or without the mark, or of another kind, or in another place.
    b"DCIM/._C2.MOV": APPLE_DOUBLE,
    b"DCIM/._C1.MOV.bak": APPLE_DOUBLE,
    b"OTHER/C3.MOV": QUICKTIME,
    b"OTHER/._C3.MOV": QUICKTIME,
    b"OTHER/._": APPLE_DOUBLE,
    b".Trashes/501/C4.MOV": QUICKTIME,
    b".Trash-1000/files/C5.MOV": QUICKTIME,
    b"$RECYCLE.BIN/S-1/$R1.MOV": QUICKTIME,
    b"FOUND.000/FILE0000.CHK": QUICKTIME,
    b"LOST.DIR/17": QUICKTIME,
    b"lost+found/#12": QUICKTIME,
    b"DCIM/.fseventsd/a": b"copied",
    b"DCIM/System Volume Information/a": b"copied",
    b".spotlight-v100/a": b"copied",
    b".ds_store": b"copied",
    b".hidden.mov": QUICKTIME,
    b"Thumbs.db": b"copied",
    b"desktop.ini": b"copied",
    b".TemporaryItems/a": b"copied",
    b".com.apple.timemachine.donotpresent": b"copied",
}


@pytest.mark.lab
def test_left_out_is_the_list_and_nothing_else(card: Path) -> None:
    tree = {**COMPUTERS, **FOOTAGE}
    write_tree(card, [Item(path, content=content) for path, content in tree.items()])
    found = walk(card)
    out = {path: entry for path, entry in left_out(found).items() if entry.kind is Kind.FILE}
    assert {path: entry.size_bytes for path, entry in out.items()} == {
        path: len(content) for path, content in COMPUTERS.items()
    }
    assert set(entries(found)) == set(FOOTAGE)
    assert not found.has_footage_left_out


@pytest.mark.lab
@pytest.mark.parametrize("name", [".Spotlight-V100", ".fseventsd", "System Volume Information"])
@pytest.mark.parametrize("kind", ["file", "link", "pipe"])
def test_a_name_of_the_computers_on_something_else_is_copied(
    card: Path, name: str, kind: str
) -> None:
    item = Item(name.encode(), kind, content=QUICKTIME if kind == "file" else b"", target=b"x")
    write_tree(card, [item])
    found = walk(card)
    assert entries(found)[name.encode()].kind is KINDS[kind]
    assert left_out(found) == {}


@pytest.mark.lab
def test_footage_among_what_is_left_out_is_named(card: Path) -> None:
    write_tree(
        card,
        [
            Item(b".Spotlight-V100/a/C9.MOV", content=QUICKTIME),
            Item(b".fseventsd/log", content=b"events"),
            Item(b".DS_Store", content=QUICKTIME),
        ],
    )
    found = walk(card)
    assert set(found.left_out_clips) == {b".Spotlight-V100/a/C9.MOV", b".DS_Store"}
    assert found.has_footage_left_out


def test_a_companion_that_cannot_be_read_is_not_left_out(faulty: Callable[..., FaultFs]) -> None:
    """It cannot be shown to be the computer's: copying will say what is wrong with it."""
    fs = faulty("card-1")
    (fs.backing / "C1.MOV").write_bytes(QUICKTIME)
    (fs.backing / "._C1.MOV").write_bytes(APPLE_DOUBLE)
    assert set(left_out(walk(fs.root))) == {b"._C1.MOV"}
    fs.plan(Fault("opening", count=0, path=r"\._C1.MOV"))
    found = walk(fs.root)
    assert entries(found)[b"._C1.MOV"].kind is Kind.FILE
    assert left_out(found) == {}


def test_a_closed_folder_of_the_computers_is_named(faulty: Callable[..., FaultFs]) -> None:
    """System folders are often closed to the user: left out and said, never taken for empty."""
    fs = faulty("card-1")
    (fs.backing / "System Volume Information").mkdir()
    (fs.backing / ".fseventsd").mkdir()
    (fs.backing / ".fseventsd/log").write_bytes(b"x")
    fs.plan(
        Fault("opendir", count=0, path="System Volume Information", errno="EACCES"),
        Fault("getattr", count=0, path=".fseventsd/log"),
    )
    kinds = {(entry.path, entry.kind) for entry in walk(fs.root).inventory.left_out}
    assert (b"System Volume Information", Kind.UNREADABLE) in kinds
    assert (b".fseventsd/log", Kind.UNREADABLE) in kinds


# --- digest and card code


def by_hand(top: Path, folder: str = "") -> list[bytes]:
    """The digest's lines, from the system's own listing and nothing of the program's."""
    lines = []
    for each in os.scandir(os.fsencode(top / folder) if folder else os.fsencode(top)):
        path = os.path.relpath(each.path, os.fsencode(top))
        if each.is_symlink():
            lines.append(b"%d l 0 %s\n" % (len(path), path))
        elif each.is_dir():
            below = by_hand(top, os.fsdecode(path))
            lines += below or [b"%d d 0 %s\n" % (len(path), path)]
        else:
            lines.append(b"%d f %d %s\n" % (len(path), each.stat().st_size, path))
    return lines


@pytest.mark.lab
def test_the_digest_can_be_worked_out_by_hand(card: Path) -> None:
    write_tree(card, [Item(b"N/" + name, content=name) for name in NAMES])
    write_tree(card, [Item(b"EMPTY", FOLDER), Item(b"L", LINK, target=b"N"), Item(b"E.BIN")])
    lines = sorted(by_hand(card), key=lambda line: line.split(b" ", 3)[3][:-1])
    done = subprocess.run(["sha256sum"], input=b"".join(lines), capture_output=True, check=True)
    assert walk(card).inventory.digest == done.stdout.split()[0].decode()


@pytest.mark.lab
def test_the_digest_sees_content_lists_and_not_the_computers(card: Path) -> None:
    items = [Item(b"A/C1.mov", content=b"12"), Item(b"A/C2.mov", content=b"3")]
    write_tree(card, items)
    first = walk(card).inventory.digest
    os.utime(card / "A/C1.mov", ns=(1, 1))
    write_tree(card, [Item(b".fseventsd/a", content=b"x"), Item(b"A/.DS_Store", content=b"x")])
    assert walk(card).inventory.digest == first, "times and left-out files take no part"
    seen = {first}
    for change in (
        lambda: (card / "A/C2.mov").write_bytes(b"34"),
        lambda: (card / "A/C2.mov").rename(card / "A/C3.mov"),
        lambda: (card / "B").mkdir(),
        lambda: (card / "A/C1.mov").rename(card / "C1.mov"),
        lambda: (card / "link").symlink_to("A"),
        lambda: os.mkfifo(card / "pipe"),
    ):
        change()
        digest = walk(card).inventory.digest
        assert digest not in seen
        seen.add(digest)


@pytest.mark.parametrize("root", [bytes(16), bytes(range(16)), b"\xff" * 16])
def test_the_code_can_be_worked_out_by_hand(root: bytes) -> None:
    """SHA-256 of the root as one number, its six lowest digits in base 25, lowest first."""
    alphabet = "234679ACDEFGHJKMNPQRTWXYZ"
    assert len(alphabet) == 25 and not set(alphabet) & set("0O1IL8B5SUV")
    number = int(hashlib.sha256(root).hexdigest(), 16)
    digits = [alphabet[number // 25**place % 25] for place in range(6)]
    assert card_code(root) == f"{digits[0]}{digits[1]}-{''.join(digits[2:])}"


def test_folder_of_many_files_takes_little_memory(tmp_path: Path) -> None:
    # A take may be a million frames in one folder; its facts all at once took 860 bytes each.
    count = 20_000
    for at in range(count):
        (tmp_path / f"A001C001.{at:07}.dpx").touch()
    with Root(bytes(tmp_path)) as root:
        tracemalloc.start()
        try:
            walk = take_inventory(root, lambda path, fd: False)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    assert len(walk.inventory.entries) == count
    assert peak < 300 * count
