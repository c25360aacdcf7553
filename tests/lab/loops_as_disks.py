"""``python -m tests.lab.loops_as_disks``: the program, where loop devices count as disks.

See ``tests.lab.machine``; nothing else of the program is changed. Where ``LAB_CLOCK`` names a file,
the clock goes wrong by so many seconds as stand in it at the moment.
"""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import offload.cli.session
from offload.cli.main import main
from offload.jobs.surroundings import Surroundings
from tests.lab.machine import loops_as_disks


def _now() -> datetime:
    return datetime.now(UTC) + timedelta(seconds=int(Path(os.environ["LAB_CLOCK"]).read_text()))


def _surroundings() -> Surroundings:
    made = loops_as_disks()
    return replace(made, now=_now) if "LAB_CLOCK" in os.environ else made


offload.cli.session.surroundings = _surroundings

if __name__ == "__main__":
    main()
