"""Settings changed by command: what a person wrote stays, and nothing wrong is ever written."""

import os
from pathlib import Path

import pytest

from offload.cli.settings_edit import SettingsFile
from offload.errors import SettingsError, UsageError
from offload.settings import Given, load

BY_HAND = """\
# our show
[production]
name = "Night Ferry"   # working title

[copies]
needed = 2 # the insurer asks for it

[[drive]]
name = "shuttle-1"     # the blue one
volume = "5f1c"

[[drive]]
name = "shuttle-2"
volume = "6f1c"
"""


def opened(folder: Path, text: str = BY_HAND) -> SettingsFile:
    path = folder / "offload.toml"
    path.write_text(text)
    return SettingsFile(os.fsencode(path))


def check(path: bytes) -> object:
    return load(Given(b"/", b"/", b"/", settings_option=path))


def test_comments_and_order_stay(tmp_path: Path) -> None:
    file = opened(tmp_path)
    file.set("copies", "needed", 3)
    file.add_drive("shuttle-3", volume="7f1c")
    file.save(check)
    text = (tmp_path / "offload.toml").read_text()
    assert text.startswith(BY_HAND.replace("needed = 2 #", "needed = 3 #"))
    assert text.endswith('[[drive]]\nname = "shuttle-3"\nvolume = "7f1c"\n')


def test_drive_is_taken_out_with_its_lines_and_no_others(tmp_path: Path) -> None:
    file = opened(tmp_path)
    assert file.remove_drive("shuttle-1")
    assert not file.remove_drive("shuttle-9")
    file.save(check)
    text = (tmp_path / "offload.toml").read_text()
    assert "blue" not in text and "# working title" in text and "the insurer" in text
    assert SettingsFile(file.path).drive_names() == ["shuttle-2"]


def test_last_drive_can_be_taken_out(tmp_path: Path) -> None:
    file = opened(tmp_path)
    file.remove_drive("shuttle-1")
    file.remove_drive("shuttle-2")
    file.save(check)
    again = SettingsFile(file.path)
    assert again.drive_names() == []
    again.add_drive("server", path=b"/srv/footage")
    again.save(check)
    assert SettingsFile(file.path).drive_names() == ["server"]


def test_wrong_text_is_never_written(tmp_path: Path) -> None:
    file = opened(tmp_path)
    file.set("copies", "needed", 0)
    with pytest.raises(SettingsError, match=r"/offload.toml.*copies\.needed"):
        file.save(check)
    assert (tmp_path / "offload.toml").read_text() == BY_HAND
    assert os.listdir(tmp_path) == ["offload.toml"]


def test_name_that_is_taken_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="already"):
        opened(tmp_path).add_drive("shuttle-1", volume="x")


def test_new_file_is_right_from_the_start(tmp_path: Path) -> None:
    file = SettingsFile(os.fsencode(tmp_path / "new" / "offload.toml"))
    assert file.is_new
    file.save(check)
    assert not SettingsFile(file.path).is_new


def test_file_that_is_a_link_stays_one(tmp_path: Path) -> None:
    (tmp_path / "real.toml").write_text(BY_HAND)
    (tmp_path / "offload.toml").symlink_to(tmp_path / "real.toml")
    file = SettingsFile(os.fsencode(tmp_path / "offload.toml"))
    file.set("copies", "needed", 3)
    file.save(check)
    assert (tmp_path / "offload.toml").is_symlink()
    assert "needed = 3" in (tmp_path / "real.toml").read_text()
