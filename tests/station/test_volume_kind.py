"""What a volume is, by a short look at it."""

import os
from pathlib import Path

import pytest

from offload.errors import CardError
from offload.jobs.volume_kind import VolumeKind, is_delivery, look_at_volume
from tests.lab.cards import write_roll, write_sound_roll


def kind(folder: Path) -> VolumeKind:
    return look_at_volume(os.fsencode(folder)).kind


def put(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (("DCIM/100ABCDE/ABCD0001.JPG",), VolumeKind.CARD),
        (("PRIVATE/AVCHD/BDMV/STREAM/00000.MTS",), VolumeKind.CARD),
        (("CONTENTS/CLIPS001/CLIP/A.mxf",), VolumeKind.CARD),
        (("A001R1AB/A001C001.mov",), VolumeKind.CARD),
        (("day1/T01.WAV", "day1/report.csv"), VolumeKind.CARD),
        # A camera's card on which somebody made a history is a camera's card.
        (("DCIM/100ABCDE/ABCD0001.JPG", "ascmhl/ascmhl_chain.xml"), VolumeKind.CARD),
        (("Night Ferry/records/A001/run.json", "Night Ferry/A001/A001C001.mov"),
         VolumeKind.DELIVERY),
        ((".offload-drive", "Night Ferry/A001/A001C001.mov"), VolumeKind.DRIVE),
        (("budget.ods", "letters/one.txt"), VolumeKind.UNKNOWN),
        ((), VolumeKind.EMPTY),
    ],
    ids=lambda value: value.value if isinstance(value, VolumeKind) else "",
)  # fmt: skip
def test_volume_is_told(tmp_path: Path, names: tuple[str, ...], expected: VolumeKind) -> None:
    put(tmp_path, *names)
    assert kind(tmp_path) is expected


def test_laboratory_cards_are_cards(tmp_path: Path) -> None:
    write_roll(tmp_path / "camera", clip_count=1)
    write_sound_roll(tmp_path / "sound", takes=1)
    assert kind(tmp_path / "camera") is VolumeKind.CARD
    assert kind(tmp_path / "sound") is VolumeKind.CARD


def test_look_is_bounded_and_says_so(tmp_path: Path) -> None:
    for number in range(50):
        folder = tmp_path / f"{number:03}"
        folder.mkdir()
        for other in range(100):
            (folder / f"{other:04}").touch()
    assert not look_at_volume(os.fsencode(tmp_path)).is_whole


def test_nothing_is_followed_out_of_the_volume(tmp_path: Path) -> None:
    put(tmp_path / "elsewhere", "DCIM/100ABCDE/ABCD0001.JPG")
    (tmp_path / "volume").mkdir()
    (tmp_path / "volume" / "DCIM").symlink_to(tmp_path / "elsewhere" / "DCIM")
    assert kind(tmp_path / "volume") is VolumeKind.UNKNOWN


def test_volume_that_cannot_be_listed_is_not_empty(tmp_path: Path) -> None:
    with pytest.raises(CardError, match="cannot be listed"):
        look_at_volume(os.fsencode(tmp_path / "gone"))


def test_marked_drive_of_a_sender_is_a_delivery(tmp_path: Path) -> None:
    (tmp_path / ".offload-drive").write_text('{"drive": "4f2a", "name": "set"}')
    (tmp_path / "A001").mkdir()
    (tmp_path / "records/A001").mkdir(parents=True)
    here = os.fsencode(tmp_path)
    assert look_at_volume(here, None, {"4f2a"}.__contains__).kind is VolumeKind.DRIVE
    assert look_at_volume(here, None, {"77aa"}.__contains__).kind is VolumeKind.DELIVERY
    (tmp_path / "records/A001").rmdir()
    (tmp_path / "records").rmdir()
    assert look_at_volume(here, None, {"77aa"}.__contains__).kind is VolumeKind.DRIVE


def test_folder_called_records_makes_no_delivery_of_a_card(tmp_path: Path) -> None:
    (tmp_path / "records/old").mkdir(parents=True)
    assert not is_delivery(os.fsencode(tmp_path))
    (tmp_path / "old").mkdir()
    assert is_delivery(os.fsencode(tmp_path))
