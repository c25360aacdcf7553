"""The service files: put in place by the script, and right by the tools that read them."""

import plistlib
import subprocess
from pathlib import Path

from tests.lab.processes import TOP

SCRIPT = TOP / "scripts" / "install-service"


def install(home: Path, *options: str, path: str) -> "subprocess.CompletedProcess[str]":
    home.mkdir(exist_ok=True)
    return subprocess.run(
        [SCRIPT, *options],
        env={"HOME": str(home), "PATH": path},
        check=False,
        capture_output=True,
        text=True,
    )


def on_path(tmp_path: Path) -> str:
    """A folder with an ``offload`` in it, before the usual ones."""
    folder = tmp_path / "bin"
    folder.mkdir()
    (folder / "offload").write_text("#!/bin/sh\nexit 0\n")
    (folder / "offload").chmod(0o755)
    return f"{folder}:/usr/bin:/bin"


def test_unit_is_installed_and_right(tmp_path: Path) -> None:
    done = install(tmp_path / "home", path=on_path(tmp_path))
    assert done.returncode == 0, done.stderr
    unit = tmp_path / "home" / ".config" / "systemd" / "user" / "offload.service"
    assert f"ExecStart={tmp_path / 'bin' / 'offload'} watch --json" in unit.read_text()
    # Source: systemd-analyze(1), "verify": prints whatever it does not understand.
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--user", "--man=no", unit],
        env={"PATH": "/usr/bin:/bin", "XDG_RUNTIME_DIR": str(tmp_path), "HOME": str(tmp_path)},
        check=False,
        capture_output=True,
        text=True,
    )
    assert [line for line in checked.stderr.splitlines() if "offload.service" in line] == []


def test_copies_of_the_service_can_be_read_by_whoever_gets_the_drive() -> None:
    """The copies take the user's mask, as from a shell; what is secret sets its own mode."""
    assert "UMask" not in (TOP / "config" / "offload.service").read_text()


def test_agent_is_a_property_list_of_known_keys() -> None:
    # Source: launchd.plist(5).
    with (TOP / "config" / "offload.plist").open("rb") as file:
        agent = plistlib.load(file)
    assert agent["ProgramArguments"][1:] == ["watch", "--json"]
    assert agent["KeepAlive"] == {"SuccessfulExit": False}
    assert agent["ExitTimeOut"] > 5


def test_path_that_a_unit_cannot_hold_is_refused(tmp_path: Path) -> None:
    odd = tmp_path / "a b|c"
    odd.mkdir()
    path = on_path(odd)
    done = install(tmp_path / "home", path=path)
    assert done.returncode == 3 and "cannot hold" in done.stderr
    assert not (tmp_path / "home" / ".config").exists()
