"""What file systems can hold as names, by their published rules and on real ones."""

import os
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.transfer.preflight.file_systems import FAT_LARGEST, kind_of
from offload.transfer.preflight.names import (
    APFS,
    EXFAT,
    FAT,
    HFS_PLUS,
    LINUX,
    NTFS,
    STRICTEST,
    NameRules,
    can_hold,
    fold,
    is_short_alias,
    length,
)
from tests.lab.images import EXFAT as EXFAT_IMAGE
from tests.lab.images import EXT4, Rack

ALL = (FAT, EXFAT, NTFS, HFS_PLUS, APFS, LINUX, STRICTEST)
BY_TITLE = pytest.mark.parametrize("rules", ALL, ids=[rules.title for rules in ALL])


@BY_TITLE
@pytest.mark.parametrize(
    "name", [b"A001C001_240501_R2AB.mov", b".hidden", b"-n", b"x y", "ü".encode()]
)
def test_ordinary_names_can_lie_anywhere(rules: NameRules, name: bytes) -> None:
    decomposed = "u\u0308".encode()
    assert can_hold(decomposed if rules is HFS_PLUS and not name.isascii() else name, rules)


# Characters: "File System Functionality Comparison" and exFAT specification, table 35.
@pytest.mark.parametrize("char", '"*:<>?\\|\x01\x1f')
@pytest.mark.parametrize("rules", [FAT, EXFAT, NTFS, STRICTEST], ids=lambda rules: rules.title)
def test_reserved_characters_are_refused(rules: NameRules, char: str) -> None:
    assert not can_hold(f"a{char}b".encode(), rules)
    assert can_hold(f"a{char}b".encode(), LINUX)


@pytest.mark.parametrize("name", [b"TAKE1.", b"TAKE1 ", b"CON", b"nul.mov", b"\xff.mov"])
@pytest.mark.parametrize("rules", [FAT, EXFAT, NTFS, STRICTEST], ids=lambda rules: rules.title)
def test_names_that_change_on_other_systems_are_refused(rules: NameRules, name: bytes) -> None:
    assert not can_hold(name, rules)
    assert can_hold(name, LINUX)


@BY_TITLE
@pytest.mark.parametrize("name", [b"", b".", b"..", b"a/b", b"a\0b"])
def test_what_is_no_name_is_held_nowhere(rules: NameRules, name: bytes) -> None:
    assert not can_hold(name, rules)


CYRILLIC = ("Ж" * 200 + ".MOV").encode()  # 404 bytes, 204 units
EMOJI = ("\U0001f3ac" * 128).encode()  # 512 bytes, 256 units


@pytest.mark.parametrize(
    ("rules", "fits_cyrillic", "fits_emoji"),
    [(FAT, True, False), (EXFAT, True, False), (NTFS, True, False), (LINUX, False, False)],
    ids=lambda value: getattr(value, "title", ""),
)
def test_length_is_counted_in_the_units_of_the_system(
    rules: NameRules, fits_cyrillic: bool, fits_emoji: bool
) -> None:
    assert can_hold(CYRILLIC, rules) is fits_cyrillic
    assert can_hold(EMOJI, rules) is fits_emoji
    assert can_hold(EMOJI[:-4], replace(rules, limit=508)) is True
    assert can_hold(b"x" * 255, rules)
    assert not can_hold(b"x" * 256, rules)


def test_decomposed_form_is_what_counts_on_hfs() -> None:
    # U+1F82 is one unit composed and four decomposed (Unicode character database).
    assert length("\u1f82".encode(), HFS_PLUS) == 4
    assert length("\u1f82".encode(), EXFAT) == 1


@pytest.mark.parametrize(
    ("name", "is_alias"),
    [
        ("CLIP00~1.MOV", True),
        ("A~1", True),
        ("a001c~12.mo", True),
        ("CLIP~A.MOV", False),
        ("CLIP0001~1.MOV", False),
        ("~1.MOV", False),
        ("CLIP~1.MOVIE", False),
    ],
)
def test_short_second_names_are_known(name: str, is_alias: bool) -> None:
    # FAT general overview 1.03, "Basis-Name Generation": base, tilde, number, within 8.3.
    assert is_short_alias(name) is is_alias


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("CLIP.MOV", "clip.mov"),
        ("É", "é"),
        ("ı", "I"),  # exFAT's up-case table joins these two
        ("ſ", "s"),
        ("Σ", "ς"),
        ("ǅ", "ǆ"),
        ("Ꭰ", "ꭰ"),
    ],
)
def test_case_alone_makes_no_second_name(one: str, other: str) -> None:
    assert fold(one, EXFAT) == fold(other, EXFAT)
    assert fold(one, LINUX) != fold(other, LINUX)


def test_every_letter_folds_with_its_capital() -> None:
    # exFAT specification 7.2.5 and NTFS: names are compared after simple up-casing, unit by unit.
    for code in (*range(0x20, 0xD800), *range(0xE000, 0x10000)):
        char = chr(code)
        if len(char.upper()) == 1:
            assert fold(char, EXFAT) == fold(char.upper(), EXFAT), hex(code)
        if len(char.lower()) == 1:
            assert fold(char, EXFAT) == fold(char.lower(), EXFAT), hex(code)


def test_normal_forms_are_one_name_where_they_are_folded() -> None:
    composed, decomposed = "caf\u00e9.MOV", "cafe\u0301.mov"
    assert fold(composed, APFS) == fold(decomposed, APFS)
    assert fold(composed, EXFAT) != fold(decomposed, EXFAT)


def test_name_in_another_form_than_kept_is_refused() -> None:
    assert can_hold("cafe\u0301".encode(), HFS_PLUS)
    assert not can_hold("caf\u00e9".encode(), HFS_PLUS)


@settings(deadline=None)
@given(st.text(max_size=12))
def test_folding_twice_changes_nothing(text: str) -> None:
    for rules in ALL:
        once = fold(text, rules)
        assert fold(once, rules) == once


def test_kinds_are_known_by_the_systems_words() -> None:
    assert kind_of("vfat").largest_file_bytes == FAT_LARGEST == 4 * 1024**3 - 1
    assert kind_of("exfat").names is EXFAT
    assert kind_of("EXT4").names is LINUX
    assert kind_of("nfs4").names is STRICTEST
    assert kind_of("fuse.sshfs").names is STRICTEST
    assert kind_of("").names is STRICTEST


@pytest.mark.lab
@pytest.mark.parametrize(("image", "fs_type"), [(EXFAT_IMAGE, "exfat"), (EXT4, "ext4")])
def test_real_file_system_takes_what_the_rules_let_through(
    rack: Rack, image: object, fs_type: str
) -> None:
    rules = kind_of(fs_type).names
    root = os.fsencode(rack.volume(image).root)  # type: ignore[arg-type]
    names = [
        b"x" * 255,
        "é".encode() * 127,
        CYRILLIC,
        EMOJI[:-4],
        b"%41~",
        b" lead",
        b"a;b,c=d+e[f]",
        "Ångström’s “take”".encode(),
        b"tab\tnew\nline",
    ]
    for name in names:
        if can_hold(name, rules):
            os.close(os.open(os.path.join(root, name), os.O_CREAT | os.O_EXCL))
            assert name in os.listdir(root)


@pytest.mark.lab
def test_real_exfat_refuses_what_the_rules_refuse(rack: Rack) -> None:
    # Reference: exfat-fuse. It lets trailing dots and device names through, as other readers don't.
    root = os.fsencode(rack.volume(EXFAT_IMAGE).root)
    refused = [b"a:b", b"a?b", b"a\x01b", b"\xff.mov", b"x" * 256, EMOJI, b"a\\b", b"a|b"]
    for name in refused:
        assert not can_hold(name, EXFAT)
        with pytest.raises(OSError):
            os.close(os.open(os.path.join(root, name), os.O_CREAT | os.O_EXCL))


@pytest.mark.lab
def test_real_ext4_counts_bytes(rack: Rack) -> None:
    root = os.fsencode(rack.volume(EXT4).root)
    with pytest.raises(OSError, match="too long"):
        os.close(os.open(os.path.join(root, CYRILLIC), os.O_CREAT | os.O_EXCL))
    assert not can_hold(CYRILLIC, LINUX)
