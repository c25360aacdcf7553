"""The mount table's text, and where a path leads when mounts lie over mounts."""

import pytest

from offload.volumes.mountinfo import covered_ids, parse_rows, unescape, visible_at

# Line formed after the worked example of proc_pid_mountinfo(5).
EXAMPLE = b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"

NESTED = b"""\
20 1 8:1 / / rw - ext4 /dev/sda1 rw
21 20 8:17 / /media/A001 rw - exfat /dev/sdb1 rw
22 21 0:40 / /media/A001/DCIM rw - tmpfs tmpfs rw
23 21 8:33 / /media/A001 rw - exfat /dev/sdc1 rw
24 20 0:41 / /srv rw - tmpfs tmpfs rw
"""


def test_row_of_manual_page() -> None:
    (row,) = parse_rows(EXAMPLE)
    assert (row.mount_id, row.parent_id, row.device) == (36, 35, "98:0")
    assert (row.root, row.mount_point) == (b"/mnt1", b"/mnt2")
    assert row.options == (b"rw", b"noatime")
    assert (row.fs_type, row.source) == ("ext3", b"/dev/root")
    assert row.fs_options == (b"rw", b"errors=continue")


@pytest.mark.parametrize("optional", [b"", b"shared:1 ", b"shared:1 master:2 unbindable "])
def test_any_number_of_optional_fields(optional: bytes) -> None:
    (row,) = parse_rows(b"5 1 8:1 / /m rw " + optional + b"- ext4 /dev/sda1 rw\n")
    assert row.fs_type == "ext4"


def test_hostile_label_comes_back_exactly() -> None:
    name = b"A001\\040\\134x\\012\\033[1m\\043 \xff".replace(b"\\033", b"\x1b").replace(b" ", b"")
    (row,) = parse_rows(b"5 1 8:1 / /media/" + name + b" rw - exfat /dev/sdb1 rw\n")
    assert row.mount_point == b"/media/A001 \\x\n\x1b[1m#\xff"


def test_escape_inside_option_is_no_separator() -> None:
    (row,) = parse_rows(b"5 1 0:4 / /m rw - overlay o rw,lowerdir=/a\\054b:/c\n")
    assert row.fs_options == (b"rw", b"lowerdir=/a,b:/c")


def test_unescape_undoes_each_escape_once() -> None:
    assert unescape(b"\\134040") == b"\\040"


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"36 35 98:0 /mnt1",
        b"36 35 98:0 / /m rw ext3 /dev/root rw",
        b"x 35 98:0 / /m rw - ext3 /dev/root rw",
        b"36 35 980 / /m rw - ext3 /dev/root rw",
        b"36 35 98:0 / /m rw - ext3",
    ],
)
def test_broken_line_is_left_out(line: bytes) -> None:
    assert parse_rows(line + b"\n" + EXAMPLE) == parse_rows(EXAMPLE)


@pytest.mark.parametrize(
    ("path", "mount_id"),
    [
        (b"/", 20),
        (b"/media", 20),
        (b"/media/A001", 23),
        (b"/media/A001/DCIM/100", 23),
        (b"/media/A0011", 20),
        (b"/srv/x", 24),
    ],
)
def test_path_leads_into_topmost_mount(path: bytes, mount_id: int) -> None:
    row = visible_at(parse_rows(NESTED), path)
    assert row is not None
    assert row.mount_id == mount_id


def test_covered_are_those_below_a_mount() -> None:
    # 21 is covered by 23, and so is what was mounted inside 21.
    assert covered_ids(parse_rows(NESTED)) == {21, 22}


def test_mount_stacked_on_the_root() -> None:
    rows = parse_rows(NESTED + b"30 20 0:50 / / rw - tmpfs tmpfs rw\n")
    row = visible_at(rows, b"/media/A001")
    assert row is not None
    assert row.mount_id == 30
    assert covered_ids(rows) == {20, 21, 22, 23, 24}


def test_loop_of_parents_comes_to_an_end() -> None:
    rows = parse_rows(b"5 5 8:1 / / rw - ext4 a rw\n6 6 8:2 / /m rw - ext4 b rw\n")
    row = visible_at(rows, b"/m")
    assert row is not None
    assert row.mount_id == 5
