"""Names that a drive cannot hold: another one each, that can be told back, and nobody else's."""

import json
import os
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.errors import RecordError
from offload.transfer.preflight.mapping import assert_holdable, mapped_names
from offload.transfer.preflight.name_map import NameMap
from offload.transfer.preflight.names import (
    APFS,
    EXFAT,
    FAT,
    HFS_PLUS,
    LINUX,
    NTFS,
    STRICTEST,
    NameRules,
    Unit,
    can_hold,
    fold,
)
from offload.transfer.preflight.percent import cut, plain
from offload.values.entries import Entries, Entry, Kind
from offload.values.paths import is_clean
from tests.lab.images import EXFAT as EXFAT_IMAGE
from tests.lab.images import EXT4, Rack
from tests.lab.images import NTFS as NTFS_IMAGE

ALL = (FAT, EXFAT, NTFS, HFS_PLUS, APFS, LINUX, STRICTEST)
COMPOSING = replace(LINUX, title="a share that composes names", folds_forms=True, form="NFC")
SHORT = replace(LINUX, title="an encrypted folder", limit=143)


def card(*paths: bytes) -> Entries:
    """A trailing slash makes an empty folder."""
    return Entries(
        Entry(path.rstrip(b"/"), Kind.FOLDER if path.endswith(b"/") else Kind.FILE)
        for path in paths
    )


def on_drive(rules: NameRules, *paths: bytes) -> list[bytes]:
    names = mapped_names(card(*paths), rules)
    return [names.on_drive(path.rstrip(b"/")) for path in paths]


@pytest.mark.parametrize(
    ("path", "there"),
    [
        (b"take 1:2.mov", b"take 1%3A2.mov"),
        (b'a"*:<>?\\|b', b"a%22%2A%3A%3C%3E%3F%5C%7Cb"),
        (b"TAKE1.", b"TAKE1%2E"),
        (b"TAKE1. .", b"TAKE1. %2E"),
        (b"TAKE1 ", b"TAKE1%20"),
        (b"nul.mov", b"%6Eul.mov"),
        (b"CLIP00~1.MOV", b"CLIP00%7E1.MOV"),
        (b"bad\xff\xfe.mov", b"bad%FF%FE.mov"),
        (b"esc\x1b[2J", b"esc%1B[2J"),
        (b"100%.mov", b"100%.mov"),
        (b"100%25:.mov", b"100%2525%3A.mov"),
        (b"plain.mov", b"plain.mov"),
    ],
)
def test_form_of_another_name_on_exfat_like_drives(path: bytes, there: bytes) -> None:
    assert on_drive(NTFS, path) == [there]
    assert plain(there) == path


@pytest.mark.parametrize("path", [b"take 1:2.mov", b"TAKE1.", b"CON", b"a\tb\nc\rd", b"CLIP~1"])
def test_linux_drive_keeps_what_it_can_hold(path: bytes) -> None:
    assert on_drive(LINUX, path) == [path]


@pytest.mark.parametrize(
    ("path", "there"),
    [
        (b"bad\xff.mov", b"bad%FF.mov"),
        (b"esc\x1b.mov", b"esc%1B.mov"),
        ("a\ufffe".encode(), b"a%EF%BF%BE"),
        (b"%41.mov", b"%2541.mov"),
        (b"x%~y", b"x%25~y"),
    ],
)
def test_manifest_decides_on_every_drive(path: bytes, there: bytes) -> None:
    # XML 1.0, section 2.2, production 2: no C0 controls but tab, line feed, carriage return.
    assert on_drive(LINUX, path) == [there]


def test_folder_that_readers_of_the_manifest_pass_over() -> None:
    # ASC MHL, 5.6.1.2: folders ascmhl and whatever is called .DS_Store are ignored by default.
    there = on_drive(LINUX, b"ascmhl/0001.mhl", b"Clips/ascmhl/x", b".DS_Store/clip.mov")
    assert there == [b"%61scmhl/0001.mhl", b"Clips/%61scmhl/x", b"%2EDS_Store/clip.mov"]


@pytest.mark.parametrize("path", [b"ascmhl", b"ASCMHL/x", b"AscMHL", b"ascmhl/"])
def test_nothing_at_the_top_meets_the_copys_own_folder(path: bytes) -> None:
    [there] = on_drive(EXFAT, path)
    assert there.split(b"/")[0].lower() != b"ascmhl"


def test_file_of_that_name_further_down_stays() -> None:
    assert on_drive(EXFAT, b"Clips/ascmhl", b"Clips/ASCMHL2/x", b"records/x") == [
        b"Clips/ascmhl",
        b"Clips/ASCMHL2/x",
        b"records/x",
    ]


def test_case_alone_gives_the_second_another_name() -> None:
    # Measured on exfat-fuse: of CLIP.MOV and clip.mov one file is left, with the second's content.
    assert on_drive(EXFAT, b"CLIP.MOV", b"clip.mov", b"Clip.MOV") == [
        b"CLIP.MOV",
        b"%63lip.mov",
        b"%43lip.MOV",
    ]


def test_folders_of_one_name_stay_apart() -> None:
    there = on_drive(EXFAT, b"DCIM/a.mov", b"dcim/a.mov", b"dcim/B.mov", b"dcim/b.mov")
    assert there == [b"DCIM/a.mov", b"%64cim/a.mov", b"%64cim/B.mov", b"%64cim/%62.mov"]


def test_accents_in_two_forms_stay_apart() -> None:
    composed, decomposed = "caf\u00e9.MOV".encode(), "cafe\u0301.MOV".encode()
    assert on_drive(APFS, composed, decomposed) == [b"caf%C3%A9.MOV", decomposed]
    assert on_drive(EXFAT, composed, decomposed) == [composed, decomposed]
    assert on_drive(COMPOSING, composed, decomposed) == [composed, b"cafe%CC%81.MOV"]


def test_name_too_long_keeps_beginning_and_suffix() -> None:
    # exFAT takes 200 Cyrillic letters; ext4 has room for 255 bytes.
    name = ("Ж" * 200 + ".MOV").encode()
    [there] = on_drive(LINUX, name)
    assert len(there) <= 255
    assert there.startswith("Ж".encode() * 100) and there.endswith(b".MOV")
    assert plain(there) is None
    names = mapped_names(card(name), LINUX)
    assert names.on_card(there) == name


def test_two_long_names_with_one_beginning_stay_apart() -> None:
    one, other = ("Ж" * 200 + "1.MOV").encode(), ("Ж" * 200 + "2.MOV").encode()
    first, second = on_drive(LINUX, one, other)
    assert first != second


def test_name_that_outgrows_its_form_is_cut() -> None:
    [there] = on_drive(EXFAT, b"?" * 255)
    assert len(there) <= 255
    assert there.startswith(b"%3F%3F")
    assert b"%3F%~" in there


def test_only_names_in_need_get_another() -> None:
    names = mapped_names(card(b"ok/fine.mov", b"a:b/x.mov", b"a:b/y?.mov", b"a:b/z.mov"), EXFAT)
    assert dict(names) == {b"a:b": b"a%3Ab", b"a:b/y?.mov": b"y%3F.mov"}
    assert names.on_drive(b"a:b/z.mov") == b"a%3Ab/z.mov"
    assert names.on_card(b"a%3Ab/y%3F.mov") == b"a:b/y?.mov"


def test_name_that_can_stay_gives_way_to_none() -> None:
    # To drives that pass over zero-width characters these two would be one.
    joined = "%\u200d3A".encode()
    first, second = on_drive(STRICTEST, b":", joined)
    assert second == joined
    assert first.startswith(b"%3A%~") and plain(first) is None


def test_mark_left_behind_an_escape_joins_nothing() -> None:
    # The accent stands on a character that the manifest cannot list; behind its escape it would
    # meet an E, and a drive that composes names would make one letter of the two.
    assert on_drive(COMPOSING, "\ufffe\u0301".encode()) == [b"%EF%BF%BE%CC%81"]
    assert on_drive(LINUX, "\ufffe\u0301".encode()) == ["%EF%BF%BE\u0301".encode()]


def test_passes_get_what_lies_elsewhere() -> None:
    entries = card(b"ok.mov", b"a:b/x.mov", b"a:b/c/")
    assert mapped_names(entries, EXFAT).renamed(entries) == {
        b"a:b/x.mov": b"a%3Ab/x.mov",
        b"a:b/c": b"a%3Ab/c",
    }


def test_links_and_pipes_need_no_name() -> None:
    entries = Entries([Entry(b"a:b", Kind.LINK), Entry(b"c?", Kind.PIPE)])
    assert len(mapped_names(entries, EXFAT)) == 0


def test_clip_added_later_does_not_move_the_first() -> None:
    first = mapped_names(card(b"clip.mov"), EXFAT)
    both = card(b"CLIP.MOV", b"clip.mov")
    later = mapped_names(both, EXFAT, first, known={b"clip.mov"})
    assert later.on_drive(b"clip.mov") == b"clip.mov"
    assert later.on_drive(b"CLIP.MOV") == b"%43LIP.MOV"


# --- properties

PARTS = st.one_of(
    st.text(
        st.sampled_from('aAbBéÉeıIſsSß\u0301%~.: ?0129C"*\x01\t\ufffe\u200d'),
        min_size=1,
        max_size=9,
    ),
    st.sampled_from(
        ["CON", "nul.x", "ascmhl", "ASCMHL", ".DS_Store", "%41", "%~", "A~1", "x" * 255]
    ),
    st.sampled_from(["é" * 127, "Ж" * 200, "\u1f82" * 90, "?" * 200, "x" * 250 + ".", "%" * 255]),
).map(lambda text: text.encode())
RAW = st.one_of(PARTS, st.binary(min_size=1, max_size=6))
PATHS = st.lists(RAW, min_size=1, max_size=3).map(b"/".join).filter(is_clean)


def tree(paths: list[bytes]) -> Entries:
    """Files of these paths, leaving out what would be file and folder at once."""
    chosen: set[bytes] = set()
    for path in paths:
        above = [path[:at] for at, byte in enumerate(path) if byte == 0x2F]
        if not any(a in chosen for a in above) and not any(
            other.startswith(path + b"/") for other in chosen
        ):
            chosen.add(path)
    return card(*chosen)


RULES = st.sampled_from((*ALL, COMPOSING, SHORT))
TREES = st.lists(PATHS, max_size=12).map(tree)


@settings(max_examples=300, deadline=None)
@given(TREES, RULES)
def test_every_file_has_its_own_place_that_can_be_told_back(
    entries: Entries, rules: NameRules
) -> None:
    names = mapped_names(entries, rules)
    assert_holdable(names, rules)
    there = [names.on_drive(entry.path) for entry in entries]
    places = {
        b"/".join(
            fold(part.decode(errors="surrogateescape"), rules).encode() for part in path.split(b"/")
        )
        for path in there
    }
    assert len(places) == len(entries)
    for entry, path in zip(entries, there, strict=True):
        assert names.on_card(path) == entry.path
        assert len(path.split(b"/")) == len(entry.path.split(b"/"))
        for here, part in zip(entry.path.split(b"/"), path.split(b"/"), strict=True):
            assert can_hold(part, rules)
            part.decode("utf-8")
            assert plain(part) in (here, None)


@settings(max_examples=200, deadline=None)
@given(st.lists(PATHS, max_size=8), st.lists(PATHS, max_size=8), RULES)
def test_more_files_leave_the_first_where_they_are(
    first: list[bytes], more: list[bytes], rules: NameRules
) -> None:
    both = tree(first + more)
    old = Entries(entry for entry in both if entry.path in set(first))
    before = mapped_names(old, rules)
    known = {
        path[:at] for path in (e.path + b"/" for e in old) for at, b in enumerate(path) if b == 0x2F
    }
    after = mapped_names(both, rules, before, known)
    assert [after.on_drive(entry.path) for entry in old] == [
        before.on_drive(entry.path) for entry in old
    ]
    assert len({after.on_drive(entry.path) for entry in both}) == len(both)


@settings(deadline=None)
@given(TREES, RULES)
def test_same_card_gives_the_same_names(entries: Entries, rules: NameRules) -> None:
    shuffled = Entries(reversed(list(entries)))
    assert mapped_names(entries, rules) == mapped_names(shuffled, rules)


@settings(deadline=None)
@given(TREES, RULES)
def test_list_of_names_is_read_back(entries: Entries, rules: NameRules) -> None:
    names = mapped_names(entries, rules)
    content = names.to_json()
    assert NameMap.from_json(content) == names
    text = content.decode("utf-8")
    assert all(char == "\n" or char.isprintable() or char == "\u200d" for char in text)


@settings(deadline=None)
@given(RAW, RULES, st.booleans(), st.booleans())
def test_one_name_alone_can_be_told_back_without_the_list(
    raw: bytes, rules: NameRules, is_folder: bool, is_top: bool
) -> None:
    if not is_clean(raw) or b"/" in raw:
        return
    kind = Kind.FOLDER if is_folder else Kind.FILE

    def written(part: bytes) -> bytes:
        path = part if is_top else b"in/" + part
        return mapped_names(Entries([Entry(path, kind)]), rules).on_drive(path).split(b"/")[-1]

    new = written(raw)
    assert can_hold(new, rules)
    assert plain(new) in (raw, None)
    # What is in this form already is told apart from it when it is written once more.
    again = written(new)
    assert again == new or plain(again) in (new, None)


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=300), st.integers(40, 255))
def test_cut_name_fits_its_room(raw: bytes, room: int) -> None:
    assert len(cut(raw, b"x" * 300 + b".mov", room)) <= room


# --- the record

GOOD = mapped_names(card(b"a:b/c?.mov", b"\xff"), EXFAT).to_json()


@pytest.mark.parametrize(
    ("change", "phrase"),
    [
        (lambda d: d.update(version=2), "version"),
        (lambda d: d.update(names={}), "no list"),
        (lambda d: d["names"].append("x"), "no object"),
        (lambda d: d["names"].append({"card": "x"}), "two paths"),
        (lambda d: d["names"].append({"card": "../x", "drive": "y"}), "two paths"),
        (lambda d: d["names"].append({"card": "x", "drive": "/etc/passwd"}), "two paths"),
        (lambda d: d["names"].append({"card": "x\\q", "drive": "y"}), "escape"),
        (lambda d: d["names"].append(d["names"][0]), "twice"),
        (lambda d: d["names"].append({"card": "q/x", "drive": "elsewhere/x"}), "contradicts"),
        (lambda d: d["names"].append({"card": "a;b", "drive": "a%3Ab"}), "contradicts"),
        (lambda d: d["names"].append({"card": 5, "drive": "a"}), "two paths"),
    ],
)
def test_wrong_list_of_names_is_refused(change: object, phrase: str) -> None:
    document = json.loads(GOOD)
    change(document)  # type: ignore[operator]
    with pytest.raises(RecordError, match=phrase):
        NameMap.from_json(json.dumps(document).encode())


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"[" * 100_000, b"[]", b"null", GOOD[:-9]])
def test_broken_list_of_names_is_refused(content: bytes) -> None:
    with pytest.raises(RecordError):
        NameMap.from_json(content)


# --- real drives

HARD = card(
    b"CLIP.MOV",
    b"clip.mov",
    b"a:b?.mov",
    b"TAKE1",
    b"TAKE1.",
    b"TAKE1 ",
    b"DCIM/x.mov",
    b"dcim/x.mov",
    "caf\u00e9.MOV".encode(),
    "cafe\u0301.MOV".encode(),
    b"\xff\xfe.MOV",
    b"-n",
    b"new\nline",
    b"CON",
    b"ascmhl/0001.mhl",
    b"%41%~",
    ("Ж" * 200 + ".MOV").encode(),
    b"?" * 255,
    b"x" * 255,
    "ſ".encode(),
    b"S",
    "ı".encode(),
    b"I",
)


@pytest.mark.lab
@pytest.mark.parametrize(
    ("image", "rules"),
    [(EXFAT_IMAGE, EXFAT), (NTFS_IMAGE, NTFS), (EXT4, LINUX), (EXT4, STRICTEST)],
    ids=["exfat", "ntfs", "ext4", "ext4-as-unknown"],
)
def test_real_drive_holds_every_file_under_its_name(
    rack: Rack, image: object, rules: NameRules
) -> None:
    volume = rack.volume(image)  # type: ignore[arg-type]
    root = os.fsencode(volume.root)
    names = mapped_names(HARD, rules)
    for entry in HARD:
        place = os.path.join(root, names.on_drive(entry.path))
        os.makedirs(os.path.dirname(place), exist_ok=True)
        descriptor = os.open(place, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
        os.write(descriptor, entry.path)
        os.close(descriptor)
    volume.remount()
    found: dict[bytes, bytes] = {}
    for folder, _, files in os.walk(root):
        for file in files:
            place = os.path.join(folder, file)
            with open(place, "rb") as opened:
                found[os.path.relpath(place, root)] = opened.read()
    told_back = {names.on_card(place): content for place, content in found.items()}
    assert told_back == {entry.path: entry.path for entry in HARD}


def test_units_are_those_of_the_rules() -> None:
    assert {rules.unit for rules in ALL} == set(Unit)
