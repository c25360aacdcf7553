"""``offload status`` answers at once: it reads, and loads nothing that copies."""

import subprocess
import sys
from pathlib import Path

from tests.lab.processes import Station

HEAVY = ("av", "cryptography", "offload.jobs.offloading", "offload.transfer.pump", "rich.console")


def test_nothing_is_loaded_that_only_an_offload_needs(tmp_path: Path) -> None:
    station = Station(tmp_path / "station", '[production]\nname = "Night Ferry"\n')
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "offload", "status"],
        env=station.environment,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    loaded = {line.rpartition("|")[2].strip() for line in done.stderr.splitlines()}
    assert done.returncode == 0 and "offload.station.overview" in loaded
    assert loaded.isdisjoint(HEAVY)
