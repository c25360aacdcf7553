"""A settings file with a mistake: the key, its line, what is allowed; and nothing is begun."""

import os
from pathlib import Path

import pytest

from tests.cli.forked import forked
from tests.lab.processes import Done


def run(folder: Path, *words: str | bytes, settings: str | bytes = "") -> Done:
    path = folder / "offload.toml"
    path.write_bytes(settings if isinstance(settings, bytes) else settings.encode())
    environment = {
        **os.environ,
        "OFFLOAD_HOME": str(folder / "home"),
        "OFFLOAD_SETTINGS": str(path),
    }
    with forked(words, environment, folder) as child:
        done = child.finish()
    done.assert_no_traceback()
    return done


WRONG = [
    ("[copies]\nneedde = 2\n", "copies.needde", 2, "needed"),
    ("[copies]\n\nneeded = 0\n", "copies.needed", 3, "1"),
    ('[copies]\nseparate_drives = "no"\n', "copies.separate_drives", 2, "false"),
    ('[copies]\nreserve = "lots"\n', "copies.reserve", 2, "GB"),
    ('[checksums]\nuse = ["xxh128", "crc32"]\n', "checksums.use", 2, "xxh128"),
    ('[cards]\nfolder = "{rol}"\n', "cards.folder", 2, "{roll}"),
    ('[production]\nday_starts = "25:00"\n', "production.day_starts", 2, "06:00"),
    ('[[drive]]\nname = "a/b"\npath = "/x"\n', "drive", 2, "letters"),
]


@pytest.mark.parametrize(("text", "key", "line", "allowed"), WRONG, ids=[w[1] for w in WRONG])
@pytest.mark.parametrize("command", ["settings", "copy"])
def test_mistake_is_named_with_its_line_and_what_is_allowed(
    tmp_path: Path, text: str, key: str, line: int, allowed: str, command: str
) -> None:
    card = [str(tmp_path), "--to", str(tmp_path)] if command == "copy" else []
    done = run(tmp_path, command, *card, settings=text)
    assert (done.code, done.out) == (2, "")
    for told in (key, f"line {line}:", allowed, str(tmp_path / "offload.toml")):
        assert told in done.err
    assert not (tmp_path / "home").exists()
    result = run(tmp_path, command, *card, "--json", settings=text).result
    assert (result["type"], result["code"], result["exit"]) == ("error", "settings", 2)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("[copies\n", "line 1"),
        (b"[copies]\nneeded = 2 # \xff\n", "line 2"),
        ("[" * 5000, "TOML"),
        ("#" + "x" * (2 << 20), "1 MiB"),
    ],
    ids=["bracket", "not UTF-8", "deep", "long"],
)
def test_file_that_is_no_settings_file(tmp_path: Path, content: str | bytes, says: str) -> None:
    done = run(tmp_path, "settings", settings=content)
    assert done.code == 2
    assert says in done.err


def test_hostile_value_reaches_the_screen_as_text(tmp_path: Path) -> None:
    done = run(tmp_path, "settings", settings='[copies]\nneeded = "[bold]\\u001b[2J"\n')
    assert done.code == 2
    assert "[bold]" in done.err
    assert "\x1b" not in done.err
