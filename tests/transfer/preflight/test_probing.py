"""What drives really do with names, seen on real file systems and on quirky ones; nothing left."""

import errno
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from offload.errors import DriveError
from offload.storage.root import Root
from offload.transfer.preflight.file_systems import kind_of
from offload.transfer.preflight.mapping import mapped_names
from offload.transfer.preflight.names import EXFAT, LINUX, STRICTEST, NameRules, Unit
from offload.transfer.preflight.probing import FOLDER, ProbedNames, probe_names, rules_for
from offload.values.entries import Entries, Entry, Kind
from tests.lab.faultfs import Fault, FaultFs, Quirks
from tests.lab.images import EXFAT as EXFAT_IMAGE
from tests.lab.images import EXT4, Rack
from tests.lab.images import NTFS as NTFS_IMAGE


def probed(path: Path, folder: bytes = b"") -> ProbedNames:
    with Root(os.fsencode(path)) as root:
        return probe_names(root, folder)


def quirky(tmp_path: Path, quirks: Quirks) -> FaultFs:
    (tmp_path / "backing").mkdir()
    return FaultFs(tmp_path / "backing", tmp_path / "drive", quirks)


@pytest.mark.lab
def test_real_ext4_keeps_every_name_in_bytes(rack: Rack) -> None:
    root = rack.volume(EXT4).root
    before = sorted(os.listdir(root))
    seen = probed(root)
    assert seen == ProbedNames(
        tells_case=True,
        tells_forms=True,
        keeps_composed=True,
        keeps_decomposed=True,
        keeps_dot=True,
        keeps_blank=True,
        keeps_bytes=True,
        refused=frozenset(),
        counts_units=False,
        longest=255,
    )
    assert sorted(os.listdir(root)) == before


@pytest.mark.lab
def test_real_exfat_is_seen_as_its_rules_say(rack: Rack) -> None:
    root = rack.volume(EXFAT_IMAGE).root
    seen = probed(root)
    assert not seen.tells_case
    assert seen.tells_forms and seen.keeps_composed and seen.keeps_decomposed
    assert seen.refused == frozenset('"*:<>?\\|\x01')
    assert not seen.keeps_bytes
    assert seen.counts_units and seen.longest == 255
    assert rules_for(kind_of("exfat"), seen) == EXFAT
    assert os.listdir(root) == []


@pytest.mark.lab
def test_real_ntfs_driver_lets_through_what_others_will_not(rack: Rack) -> None:
    root = rack.volume(NTFS_IMAGE).root
    seen = probed(root)
    assert seen.counts_units
    rules = rules_for(kind_of("ntfs"), seen)
    # ntfs-3g tells case apart and takes a colon; the next computer will not.
    assert rules.folds_case and ":" in rules.refused and rules.refused_at_end == frozenset(". ")
    assert not [name for name in os.listdir(root) if name.startswith(".offload")]


@pytest.mark.lab
@pytest.mark.parametrize(
    ("quirks", "one", "other"),
    [
        (Quirks(fold_case=True), b"CLIP.MOV", b"clip.mov"),
        (Quirks(form="NFC"), "caf\u00e9.MOV".encode(), "cafe\u0301.MOV".encode()),
        (Quirks(form="NFD"), "caf\u00e9.MOV".encode(), "cafe\u0301.MOV".encode()),
        (Quirks(strip_dots=True), b"TAKE1", b"TAKE1."),
        (Quirks(strip_dots=True), b"TAKE1", b"TAKE1 "),
    ],
    ids=["case", "composes", "decomposes", "dot", "blank"],
)
@pytest.mark.parametrize("fs_type", ["ext4", "fuse.unknown"])
def test_two_names_for_one_place_become_two(
    tmp_path: Path, quirks: Quirks, one: bytes, other: bytes, fs_type: str
) -> None:
    # Whatever the kind claims, both files are there afterwards, each with its own content.
    entries = Entries([Entry(one, Kind.FILE), Entry(other, Kind.FILE)])
    with quirky(tmp_path, quirks) as drive:
        names = mapped_names(entries, rules_for(kind_of(fs_type), probed(drive.root)))
        for entry in entries:
            place = os.path.join(os.fsencode(drive.root), names.on_drive(entry.path))
            descriptor = os.open(place, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            os.write(descriptor, entry.path)
            os.close(descriptor)
        listed = os.listdir(os.fsencode(drive.root))
        contents = {}
        for name in listed:
            with open(os.path.join(os.fsencode(drive.root), name), "rb") as file:
                contents[names.on_card(name)] = file.read()
    assert contents == {one: one, other: other}


@pytest.mark.lab
def test_drive_in_the_middle_of_failing_is_an_error(tmp_path: Path) -> None:
    for number in (1, 2, 5, 12):
        work = tmp_path / str(number)
        work.mkdir()
        with quirky(work, Quirks()) as drive:
            drive.plan(Fault("create", errno="EIO", nth=number))
            with pytest.raises(DriveError, match="EIO"):
                probed(drive.root)
            assert os.listdir(drive.root) == []


@pytest.mark.lab
def test_full_drive_is_an_error_and_no_rule(tmp_path: Path) -> None:
    with quirky(tmp_path, Quirks()) as drive:
        drive.plan(Fault("create", errno="ENOSPC", nth=3))
        with pytest.raises(DriveError, match="ENOSPC"):
            probed(drive.root)
        assert os.listdir(drive.root) == []


@pytest.mark.lab
def test_read_only_drive_is_an_error(tmp_path: Path) -> None:
    with (
        quirky(tmp_path, Quirks(is_read_only=True)) as drive,
        pytest.raises(DriveError, match="EROFS"),
    ):
        probed(drive.root)


def test_test_folder_of_a_killed_run_is_taken_over(tmp_path: Path) -> None:
    left = tmp_path / FOLDER.decode()
    left.mkdir()
    (left / "Case").touch()
    (left / "dot.").touch()
    assert probed(tmp_path).tells_case
    assert os.listdir(tmp_path) == []


def test_test_folder_with_something_else_in_it_is_left_alone(tmp_path: Path) -> None:
    left = tmp_path / FOLDER.decode()
    left.mkdir()
    (left / "clip.mov").write_bytes(b"footage")
    assert probed(tmp_path).tells_case
    assert os.listdir(tmp_path) == [FOLDER.decode()]
    assert (left / "clip.mov").read_bytes() == b"footage"


def test_link_in_place_of_the_test_folder_is_not_followed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "empty").touch()
    drive = tmp_path / "drive"
    drive.mkdir()
    (drive / FOLDER.decode()).symlink_to(elsewhere)
    with pytest.raises(DriveError):
        probed(drive)
    assert os.listdir(elsewhere) == ["empty"]


def test_two_runs_at_once_do_not_disturb_each_other(tmp_path: Path) -> None:
    with ThreadPoolExecutor(3) as pool:
        seen = list(pool.map(lambda _: probed(tmp_path), range(24)))
    assert len(set(seen)) == 1
    assert os.listdir(tmp_path) == []


def test_test_folder_can_lie_deeper(tmp_path: Path) -> None:
    (tmp_path / "footage").mkdir()
    probed(tmp_path, b"footage")
    assert os.listdir(tmp_path / "footage") == []


def _seen(**changes: object) -> ProbedNames:
    usual: dict[str, object] = {
        "tells_case": True,
        "tells_forms": True,
        "keeps_composed": True,
        "keeps_decomposed": True,
        "keeps_dot": True,
        "keeps_blank": True,
        "keeps_bytes": True,
        "refused": frozenset(),
        "counts_units": True,
        "longest": 255,
    }
    return ProbedNames(**{**usual, **changes})  # type: ignore[arg-type]


def test_unknown_drive_that_keeps_all_gets_milder_rules() -> None:
    rules = rules_for(kind_of("nfs4"), _seen())
    assert not rules.folds and not rules.refused and not rules.refused_at_end
    # Short second names and devices cannot be seen from here.
    assert rules.has_aliases and rules.has_devices


def test_known_kind_only_gets_stricter() -> None:
    assert rules_for(kind_of("exfat"), _seen()) == EXFAT
    assert rules_for(kind_of("ext4"), _seen()) == LINUX
    assert rules_for(kind_of("nfs4"), None) == STRICTEST


@pytest.mark.parametrize(
    ("changes", "field", "value"),
    [
        ({"longest": 143}, "limit", 143),
        ({"keeps_bytes": False}, "needs_utf8", True),
        ({"refused": frozenset("\x01")}, "refused", frozenset(chr(c) for c in range(32))),
        ({"keeps_dot": False}, "refused_at_end", frozenset(".")),
        ({"keeps_composed": False}, "form", "NFD"),
        ({"keeps_decomposed": False}, "form", "NFC"),
        ({"keeps_composed": False, "keeps_decomposed": False}, "only_ascii", True),
    ],
)
def test_each_thing_seen_tightens_one_rule(
    changes: dict[str, object], field: str, value: object
) -> None:
    assert getattr(rules_for(kind_of("ext4"), _seen(**changes)), field) == value


def test_length_is_counted_in_bytes_where_units_are_refused() -> None:
    rules: NameRules = rules_for(kind_of("ntfs"), _seen(counts_units=False))
    assert (rules.unit, rules.limit) == (Unit.BYTES, 255)


def test_error_names_the_place_and_what_to_do(tmp_path: Path) -> None:
    with Root(os.fsencode(tmp_path)) as root:
        tmp_path.rmdir()
        with pytest.raises(DriveError) as caught:
            probe_names(root)
    assert FOLDER in caught.value.path
    assert "same command" in caught.value.remedy
    assert errno.errorcode[errno.ENOENT] in str(caught.value)
