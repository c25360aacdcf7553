"""The program in a child that begins warm: forked from the test instead of started from nothing.

Starting an interpreter and importing the program takes longer than the offload of a small card.
Everything after that is the program's own: its ``main``, its descriptors, its exit code, and a
``SIGKILL`` ends it as any other.
"""

import gc
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path

import tests.lab.loops_as_disks  # noqa: F401  # puts loop devices in the place of disks
from offload.cli.main import main
from tests.lab.processes import Child

_HELD = b"go\n"

# What the program itself imports only when it needs it.
for _module in ("cards", "check", "checking", "copy", "run_view", "session"):
    import_module(f"offload.cli.{_module}")
import_module("offload.jobs.missing")
import_module("rich.console")


def forked(
    arguments: Sequence[str | bytes | Path],
    environment: Mapping[str, str],
    folder: Path,
    *,
    is_held: bool = False,
) -> Child:
    """Run ``offload ARGUMENTS`` in a forked child; as :meth:`Station.start` otherwise."""
    words = [os.fsdecode(word) for word in arguments]

    def become() -> None:
        # Closing everything else also tells the parent's Popen that the child is under way.
        os.closerange(3, os.sysconf("SC_OPEN_MAX"))
        if is_held:
            os.read(0, len(_HELD))
        code = 70
        try:
            os.environ.clear()
            os.environ.update(environment)
            sys.argv = ["offload", *words]
            sys.stdin, sys.stdout, sys.stderr = (
                os.fdopen(number, mode, encoding="utf-8", errors="surrogateescape")
                for number, mode in ((0, "r"), (1, "w"), (2, "w"))
            )
            main()
        except SystemExit as ended:
            code = ended.code if isinstance(ended.code, int) else 1
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)

    # Nothing of the parent may be finalised in the child.
    gc.freeze()
    process = subprocess.Popen(
        ["offload"],
        executable=sys.executable,
        preexec_fn=become,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=folder,
        text=True,
        encoding="utf-8",
        errors="surrogateescape",
    )
    gc.unfreeze()
    return Child(process)
