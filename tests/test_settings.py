"""Settings: what is wrong is named with its line, and each value knows where it comes from."""

import tomllib
from datetime import date, time
from fractions import Fraction
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given
from hypothesis import settings as example_settings
from hypothesis import strategies as st

from offload.checksum import NAMES
from offload.errors import SettingsError
from offload.media.brief_settings import brief_from
from offload.settings import (
    CHECKSUMS,
    Copies,
    Drive,
    Given,
    Origin,
    Settings,
    WrongSettingsError,
    key_lines,
    load,
)

EXAMPLE = Path(__file__).parent.parent / "config" / "offload.toml"


def surroundings(tmp_path: Path, text: str | None = None, **more: object) -> Given:
    (tmp_path / "config").mkdir(exist_ok=True)
    if text is not None:
        (tmp_path / "config" / "offload.toml").write_text(text, "utf-8")
    return Given(
        user_home=bytes(tmp_path / "user"),
        data_folder=bytes(tmp_path / "data"),
        config_folder=bytes(tmp_path / "config"),
        **more,  # type: ignore[arg-type]
    )


def read(tmp_path: Path, text: str, **more: object) -> Settings:
    return load(surroundings(tmp_path, text, **more))


def wrong(tmp_path: Path, text: str) -> WrongSettingsError:
    with pytest.raises(WrongSettingsError) as caught:
        read(tmp_path, text)
    return caught.value


def test_no_file_gives_the_defaults(tmp_path: Path) -> None:
    found = load(surroundings(tmp_path))
    assert (found.copies, found.checksums.use) == (Copies(), ("xxh128", "c4"))
    assert (found.path, found.station.home) == (b"", bytes(tmp_path / "data"))
    assert {source.origin for source in found.sources} == {Origin.DEFAULT}


def test_example_file_says_what_holds_without_it(tmp_path: Path) -> None:
    with_file = read(tmp_path, EXAMPLE.read_text("utf-8"))
    (tmp_path / "config" / "offload.toml").unlink()
    without = load(surroundings(tmp_path))
    for part in ("production", "cards", "copies", "checksums", "drives", "station", "brief"):
        assert getattr(with_file, part) == getattr(without, part), part


def test_commented_examples_of_the_file_are_valid(tmp_path: Path) -> None:
    lines = EXAMPLE.read_text("utf-8").splitlines()
    opened = [
        line[2:]
        if line.startswith("# ")
        and ("=" in line or "[[" in line or line == "# [brief]")
        and ":" not in line.split("=")[0]
        else line
        for line in lines
    ]
    found = read(tmp_path, "\n".join(opened))
    assert found.production.name == "Night Ferry"
    assert [drive.name for drive in found.drives] == ["shuttle-1", "server"]
    assert found.station.log == bytes(tmp_path / "user" / "offload" / "station.log")
    brief = brief_from(found.brief)
    assert (brief.rate, brief.cameras) == (Fraction(24000, 1001), ("A", "B"))


def test_brief_in_a_file_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "brief.toml").write_text('frame_rate = "25"\n')
    assert read(tmp_path, '[brief]\nfile = "brief.toml"').brief == {"frame_rate": "25"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[brief]\nfile = "away.toml"', "line 2: brief.file: the settings cannot be read: "),
        ('[brief]\nfile = "wrong.toml"', "line 2: brief.file: that file is not TOML"),
        ("[brief]\nfile = 5", "line 2: brief.file: "),
        ('[brief]\nfile = "right.toml"\nframe_rate = 25', "not in both"),
    ],
)
def test_wrong_brief_file_names_the_line(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "wrong.toml").write_text("frame_rate =")
    (tmp_path / "config" / "right.toml").write_text("frame_rate = 25")
    assert says in str(wrong(tmp_path, text))


def test_clips_are_looked_into_unless_said(tmp_path: Path) -> None:
    assert read(tmp_path, "").clips.look is True
    assert read(tmp_path, "[clips]\nlook = false").clips.look is False


def test_values_become_typed(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        """
[production]
name = "Night Ferry"
day_starts = "06:00"
first_day = 2026-11-12
[cards]
watch = ["/media", "cards"]
[copies]
reserve = "3 GiB"
needed = 3
[checksums]
use = ["xxh3", "sha256"]
[[drive]]
name = "shuttle-1"
volume = "5f1c"
[[drive]]
name = "server"
path = "/srv/footage"
accept = "server"
declared_separate_from = ["shuttle-1"]
[station]
on_held = ["/usr/bin/say", "held; rm -rf /"]
""",
    )
    assert found.production.day_starts == time(6)
    assert found.production.first_day == date(2026, 11, 12)
    assert found.cards.watch == (b"/media", bytes(tmp_path / "config" / "cards"))
    assert (found.copies.reserve_bytes, found.copies.needed) == (3 << 30, 3)
    assert found.drives == (
        Drive("shuttle-1", volume="5f1c"),
        Drive(
            "server",
            path=b"/srv/footage",
            accepts_server=True,
            declared_separate_from=("shuttle-1",),
        ),
    )
    assert found.station.on_held == ("/usr/bin/say", "held; rm -rf /")


@pytest.mark.parametrize(
    ("text", "line", "key", "said"),
    [
        ("\n[copies]\nneded = 2", 3, "copies.neded", "did you mean needed? allowed: needed, sep"),
        ("[copys]\nneeded = 2", 1, "copys", "did you mean copies?"),
        ("needed = 2", 1, "needed", "no such table"),
        ("[copies]\nneeded = 0", 2, "copies.needed", "from 1 to 16"),
        ("[copies]\nneeded = true", 2, "copies.needed", "from 1 to 16"),
        ("[copies]\nneeded = '2'", 2, "copies.needed", "from 1 to 16"),
        ("[copies]\nseparate_drives = 'no'", 2, "copies.separate_drives", "neither true nor"),
        ("[copies]\ncard_reads = 3", 2, "copies.card_reads", "from 1 to 2"),
        ("[copies]\nreserve = 5", 2, "copies.reserve", 'write "2 GB"'),
        ("[copies]\nreserve = '-2 GB'", 2, "copies.reserve", "no size"),
        ("[checksums]\nuse = ['xxh-128']", 2, "checksums.use", "did you mean xxh128?"),
        ("[checksums]\nuse = ['sha512']", 2, "checksums.use", "allowed: c4, md5, sha1, sha256"),
        ("[checksums]\nuse = ['sha256']", 2, "checksums.use", "the manifest needs one of"),
        ("[checksums]\nuse = []", 2, "checksums.use", "the manifest needs one of"),
        ("[checksums]\nuse = ['c4', 'c4']", 2, "checksums.use", "twice"),
        ("[production]\nday_starts = '6am'", 2, "production.day_starts", 'write "06:00"'),
        ("[production]\nfirst_day = '2026-11-12'", 2, "production.first_day", "without quotes"),
        ("[production]\nfirst_day = 2026-11-12T00:00:00", 2, "production.first_day", "no day"),
        ("[station]\non_held = 'say held'", 2, "station.on_held", "no shell"),
        ("[cards]\nroll_in_label = '('", 2, "cards.roll_in_label", "no regular expression"),
        ("[cards]\nwatch = '/media'", 2, "cards.watch", "no list"),
        ("drive = 3", 1, "drive", "[[drive]]"),
        ("production = 'x'", 1, "production", "[production]"),
        ("[[drive]]\nvolume = 'x'", 1, "drive[0]", "has no name"),
        ("[[drive]]\nname = 'a'", 1, "drive[0]", "either volume or path"),
        ("[[drive]]\nname = 'a'\nvolume = 'x'\npath = '/y'", 1, "drive[0]", "exactly one"),
        ("[[drive]]\nname = '../a'\nvolume = 'x'", 2, "drive[0].name", "no drive's name"),
        ("[[drive]]\nname = 'a'\nvolume = 'x'\naccept = 'all'", 4, "drive[0].accept", '"server"'),
        (
            "[[drive]]\nname = 'a'\nvolume = 'x'\n\n[[drive]]\nname = 'A'\nvolume = 'y'",
            6, "drive[1].name", "a drive A already",
        ),
        (
            "[[drive]]\nname = 'a'\nvolume = 'x'\ndeclared_separate_from = ['a']",
            4, "drive[0].declared_separate_from", "none, it is the only one",
        ),
    ],
)  # fmt: skip
def test_wrong_key_or_value_is_named(
    tmp_path: Path, text: str, line: int, key: str, said: str
) -> None:
    (problem,) = wrong(tmp_path, text).problems
    assert (problem.line, problem.key) == (line, key)
    assert said in problem.text


def test_all_that_is_wrong_is_told_together(tmp_path: Path) -> None:
    error = wrong(tmp_path, "[copies]\nneeded = 0\ncard_reads = 9\n[brif]\n")
    assert [problem.line for problem in error.problems] == [4, 2, 3]
    assert "line 2: copies.needed" in str(error)
    assert error.exit_code == 2


def test_thousand_wrong_keys_are_not_all_told(tmp_path: Path) -> None:
    text = "".join(f"k{number} = 1\n" for number in range(1000))
    assert len(str(wrong(tmp_path, text))) < 10_000
    assert "and 980 more" in str(wrong(tmp_path, text))


def test_escape_codes_in_keys_are_shown_escaped(tmp_path: Path) -> None:
    error = wrong(tmp_path, '"\\u001b[2J" = 1\n')
    assert "\x1b" not in str(error)
    assert "\\x1b[2J" in str(error)


def test_syntax_error_names_its_line(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="line 2"):
        read(tmp_path, "[copies]\nneeded = \n")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[copies]\n\xff = 1", "line 2 is not UTF-8"),
        (b"#" * (1 << 20) + b"\n", "longer than 1 MiB"),
        (b"a = " + b"[" * 100_000, "not TOML"),
    ],
    ids=["stray-bytes", "long", "deep"],
)
def test_file_that_is_no_settings_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "other.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsError, match=said):
        load(surroundings(tmp_path, settings_option=bytes(path)))


def test_command_goes_before_environment_and_folder(tmp_path: Path) -> None:
    for name, needed in (("command", 4), ("environment", 5)):
        (tmp_path / name).write_text(f"[copies]\nneeded = {needed}\n")
    by_folder = "[copies]\nneeded = 6\n"
    variable = {"settings_variable": bytes(tmp_path / "environment")}
    option = {"settings_option": bytes(tmp_path / "command")}
    assert read(tmp_path, by_folder).copies.needed == 6
    assert read(tmp_path, by_folder, **variable).copies.needed == 5
    found = read(tmp_path, by_folder, **variable, **option)
    assert (found.copies.needed, found.chosen_by) == (4, Origin.COMMAND)


@pytest.mark.parametrize("by", ["settings_option", "settings_variable"])
def test_file_that_was_named_must_be_there(tmp_path: Path, by: str) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        load(surroundings(tmp_path, **{by: bytes(tmp_path / "absent")}))


def test_each_value_says_where_it_comes_from(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "[copies]\nneeded = 3\ncard_reads = 1\n[station]\nhome = '/a'\n",
        home_variable=b"/by-variable",
        options={"copies.needed": 4},
    )
    where = {source.key: (source.origin, source.line) for source in found.sources}
    assert found.copies.needed == 4
    assert where["copies.needed"] == (Origin.COMMAND, 0)
    assert where["copies.card_reads"] == (Origin.FILE, 3)
    assert where["copies.reserve"] == (Origin.DEFAULT, 0)
    assert found.station.home == b"/by-variable"
    assert where["station.home"] == (Origin.ENVIRONMENT, 0)
    assert len(where) == len(found.sources)


def test_option_of_the_command_is_checked_too(tmp_path: Path) -> None:
    with pytest.raises(WrongSettingsError) as caught:
        load(surroundings(tmp_path, options={"copies.needed": 0}))
    assert caught.value.problems[0].line == 0


def test_paths_are_taken_from_file_and_user(tmp_path: Path) -> None:
    found = read(tmp_path, '[station]\nhome = "here"\nkey = "~/.ssh/k"\nlog = "/l/../m"\n')
    assert found.station.home == bytes(tmp_path / "config" / "here")
    assert found.station.key == bytes(tmp_path / "user" / ".ssh" / "k")
    assert found.station.log == b"/m"


def test_unchecked_parts_are_kept_and_have_lines(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        '[brief]\ncodec = "x"\nraster = { width = 1 }\n[[card_layout]]\nname = "a"\n'
        '[[card_layout]]\nname = "b"\nclips = [\n "x",\n]\n',
    )
    assert found.brief["codec"] == "x"
    assert [table["name"] for table in found.card_layouts] == ["a", "b"]
    assert found.line_of("brief.codec") == 2
    assert found.line_of("brief.raster.width") == 3
    assert found.line_of("card_layout[1].clips") == 8
    assert found.line_of("card_layout[1].signs") == 6
    assert found.line_of("cards.folder") == 0
    placed = found.placed("card_layout[1].clips", SettingsError("no pattern", remedy="mend it"))
    assert "line 8: card_layout[1].clips: no pattern" in str(placed)
    assert placed.remedy == "mend it"


def test_line_numbers_survive_windows_line_ends(tmp_path: Path) -> None:
    text = '[production]\r\nname = """a\r\nb"""\r\n[copies]\r\nneeded = 0\r\n'
    path = tmp_path / "w.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    with pytest.raises(WrongSettingsError) as caught:
        load(surroundings(tmp_path, settings_option=bytes(path)))
    assert caught.value.problems[0].line == 5


def test_checksums_are_those_of_the_checksum_module() -> None:
    # Names of the ASC MHL 2.0 schema's hash elements, and sha256 for lists.
    assert set(CHECKSUMS) == {"c4", "md5", "sha1", "sha256", "xxh128", "xxh3", "xxh64"}
    assert set(CHECKSUMS) <= set(NAMES)


_ODD = ["", ".b", " y", '"', "é", "#", "=", "]"]
_VALUE = st.sampled_from(
    [1, True, "plain", "with # and = and [", "two\nlines", [1, [2, 3]], {"in": {"line": 1}}]
)
_SHAPE = st.recursive(
    _VALUE,
    lambda inner: st.lists(inner, max_size=4) | st.lists(st.lists(inner), min_size=1, max_size=3),
    max_leaves=12,
)


def _tree(shape: object, odd: list[str], count: list[int]) -> object:
    """A document in which every key is another, so that it stands on one line only."""
    if not isinstance(shape, list) or not shape:
        return shape
    if all(isinstance(each, list) and each for each in shape):
        return [_table(each, odd, count) for each in shape]
    return _table(shape, odd, count)


def _table(shape: list[object], odd: list[str], count: list[int]) -> dict[str, object]:
    found: dict[str, object] = {}
    for each in shape:
        count[0] += 1
        found[f"k{count[0]}k{odd[count[0] % len(odd)]}"] = _tree(each, odd, count)
    return found


_DOCUMENT = st.builds(
    lambda shape, odd: _table(shape, odd, [0]), st.lists(_SHAPE, max_size=5), st.permutations(_ODD)
)


@example_settings(max_examples=200, deadline=None)
@given(_DOCUMENT)
def test_every_key_has_the_line_that_it_stands_on(tree: dict[str, object]) -> None:
    text = tomlkit.dumps(tree)
    lines = key_lines(text)
    where = text.split("\n")

    def check(found: dict[str, object], head: str) -> None:
        for key, value in found.items():
            name = f"{head}.{key}" if head else key
            if isinstance(value, list) and value and all(isinstance(e, dict) for e in value):
                for at, each in enumerate(value):
                    check(each, f"{name}[{at}]")
            elif isinstance(value, dict) and value and name not in lines:
                check(value, name)  # a table that has no head of its own
            else:
                assert key.partition("k")[2].partition("k")[0] + "k" in where[lines[name] - 1]

    check(tomllib.loads(text), "")
