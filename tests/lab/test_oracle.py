"""The independent checker finds what it must find. Reference tools: find, sha256sum, cmp."""

import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

from tests.lab import cards, oracle


def card_and_copy(folder: Path) -> tuple[oracle.Content, Path]:
    card = folder / "card"
    items = cards.plain_roll()
    cards.write_tree(card, items)
    drive = folder / "drive"
    shutil.copytree(card, drive / "Night Ferry/2026-11-24/A001")
    return oracle.content_of(card), drive


def test_hashes_are_sha256_of_every_odd_name(tmp_path: Path) -> None:
    items = cards.hostile_tree(is_deep=False)
    cards.write_tree(tmp_path, items)
    seen = oracle.content_of(tmp_path)
    expected = {p: hashlib.sha256(c).hexdigest() for p, c in cards.files_of(items).items()}
    assert seen.files == expected
    assert b"EMPTY/" + cards.NAMES[0] in seen.empty
    assert seen == oracle.content_by_tools(tmp_path)


def test_links_and_pipes_are_no_files(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "real/clip.mov").write_bytes(b"x")
    (tmp_path / "link").symlink_to("real")
    (tmp_path / "file-link").symlink_to("real/clip.mov")
    os.mkfifo(tmp_path / "pipe")
    seen = oracle.content_of(tmp_path)
    assert set(seen.files) == {b"real/clip.mov"}
    assert seen == oracle.content_by_tools(tmp_path)


def test_whole_copy_is_found(tmp_path: Path) -> None:
    truth, drive = card_and_copy(tmp_path)
    assert oracle.copies_in(oracle.content_of(drive), truth) == [b"Night Ferry/2026-11-24/A001"]
    assert oracle.drives_with_copy([drive, tmp_path / "card"], truth) == 1


def test_one_changed_byte_is_no_copy(tmp_path: Path) -> None:
    truth, drive = card_and_copy(tmp_path)
    clip = drive / "Night Ferry/2026-11-24/A001/CLIPS/A001C002.mov"
    data = bytearray(clip.read_bytes())
    data[-1] ^= 1
    clip.write_bytes(data)
    assert oracle.drives_with_copy([drive], truth) == 0
    seen = oracle.content_of(drive)
    assert oracle.half_done_under_final_name(seen, truth, b"A001") == [
        b"Night Ferry/2026-11-24/A001"
    ]


def test_missing_file_or_folder_is_no_copy(tmp_path: Path) -> None:
    truth, drive = card_and_copy(tmp_path)
    roll = drive / "Night Ferry/2026-11-24/A001"
    (roll / "TRASHED").rmdir()
    assert oracle.drives_with_copy([drive], truth) == 0
    (roll / "TRASHED").mkdir()
    assert oracle.drives_with_copy([drive], truth) == 1
    (roll / "EMPTY.BIN").unlink()
    assert oracle.drives_with_copy([drive], truth) == 0


def test_unfinished_name_is_no_copy(tmp_path: Path) -> None:
    truth, drive = card_and_copy(tmp_path)
    day = drive / "Night Ferry/2026-11-24"
    (day / "A001").rename(day / "A001.incomplete")
    seen = oracle.content_of(drive)
    assert oracle.copies_in(seen, truth) == []
    assert oracle.copies_in(seen, truth, half_done=True) == [
        b"Night Ferry/2026-11-24/A001.incomplete"
    ]
    assert oracle.half_done_under_final_name(seen, truth, b"A001") == []


def test_renamed_copy_counts_by_its_record_only(tmp_path: Path) -> None:
    truth, drive = card_and_copy(tmp_path)
    day = drive / "Night Ferry/2026-11-24"
    (day / "A001/CLIPS/A001C002.mov").rename(day / "A001/CLIPS/A001%43.mov")
    (day / "A001/CLIPS").rename(day / "A001/CLIPS%20")
    assert oracle.drives_with_copy([drive], truth) == 0
    (day / "records/A001").mkdir(parents=True)
    names = [
        {"card": "CLIPS", "drive": "CLIPS%20"},
        {"card": "CLIPS/A001C002.mov", "drive": "CLIPS%20/A001%43.mov"},
    ]
    (day / "records/A001/names.json").write_text(json.dumps({"names": names}))
    assert oracle.drives_with_copy([drive], truth) == 1


def test_record_escapes_are_undone() -> None:
    assert oracle._from_text("a\\\\b\\xff\\x0a\u00e9") == b"a\\b\xff\n\xc3\xa9"


def test_changed_earlier_material_is_named(tmp_path: Path) -> None:
    _, drive = card_and_copy(tmp_path)
    before = oracle.content_of(drive)
    (drive / "new").write_bytes(b"new")
    assert oracle.changed(before, oracle.content_of(drive)) == []
    (drive / "Night Ferry/2026-11-24/A001/EMPTY.BIN").write_bytes(b"x")
    assert oracle.changed(before, oracle.content_of(drive)) == [
        b"Night Ferry/2026-11-24/A001/EMPTY.BIN"
    ]


def test_damaged_ledger_is_named(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE rolls (name TEXT PRIMARY KEY)")
        database.executemany("INSERT INTO rolls VALUES (?)", [(f"A{n:06}",) for n in range(5000)])
    database.close()
    assert oracle.ledger_faults(tmp_path) == []
    data = bytearray(path.read_bytes())
    for at in range(3 * 4096, 3 * 4096 + 64):
        data[at] ^= 0xFF
    path.write_bytes(data)
    assert oracle.ledger_faults(tmp_path) != []


def test_record_is_judged_by_stock_tools(tmp_path: Path) -> None:
    _, drive = card_and_copy(tmp_path)
    day = drive / "Night Ferry/2026-11-24"
    records = day / "records/A001"
    records.mkdir(parents=True)
    sums = subprocess.run(
        ["sha512sum", "A001/CLIPS/A001C001.mov"], cwd=day, check=True, capture_output=True
    ).stdout
    (records / "A001.sha512").write_bytes(sums)
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    sign = ["ssh-keygen", "-Y", "sign", "-n", oracle.SIGNED_FOR, "-f", key]
    subprocess.run([*sign, records / "A001.sha512"], check=True, capture_output=True)
    assert oracle.record_faults(drive) == []
    (records / "A001.sha512").write_bytes(sums.replace(b"0", b"1", 1))
    said = oracle.record_faults(drive)
    assert any("sha512sum" in fault for fault in said)
    assert any("ssh-keygen" in fault for fault in said)
