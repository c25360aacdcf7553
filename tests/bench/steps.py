"""What is measured side by side: an offload as a user starts it, and what would be used instead.

Card and drives are folders of one disk. Caches are dropped before every step, and the tools that
verify by reading get them dropped before each reading, or they would read memory.
"""

import os
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.running import Sample, drop_caches, measured, measured_until

_SETTINGS = """[production]
name = "Night Ferry"
[clips]
look = {look}
"""


@dataclass(slots=True)
class Bench:
    """Where everything lies: data that is kept, and a place for one step that is emptied."""

    folder: Path

    @property
    def work(self) -> Path:
        """Emptied before each step."""
        return self.folder / "work"

    def clear(self) -> None:
        """An empty place, nothing in memory."""
        shutil.rmtree(self.work, ignore_errors=True)
        self.work.mkdir(parents=True)
        drop_caches()

    def offload(
        self,
        verb: str,
        *arguments: str | Path,
        expected: int = 0,
        home: Path | None = None,
        looks: bool = False,
        program: str = "offload",
        more: str = "",
    ) -> Sample:
        """The whole program as a user starts it, with a home of its own.

        Args:
            verb: the command.
            arguments: to it.
            expected: its exit code.
            home: where the ledger is; a new one when left out.
            looks: look into the clips, which is the default of the program and which none of the
                tools beside it does.
            program: the module that is run.
            more: further tables of the settings.
        """
        words = self._words(verb, *arguments, looks=looks, program=program, more=more)
        return measured(words, environment=self._environment(home), expected=expected)

    def offload_until(
        self, sign: bytes, verb: str, *arguments: str | Path, program: str = "offload"
    ) -> Sample:
        """The program until it prints a line with this sign; it is then stopped."""
        words = self._words(verb, *arguments, looks=False, program=program)
        return measured_until(words, sign, environment=self._environment(None))

    def _words(
        self, verb: str, *arguments: str | Path, looks: bool, program: str, more: str = ""
    ) -> list[str]:
        settings = self.folder / "offload.toml"
        settings.write_text(_SETTINGS.format(look=str(looks).lower()) + more)
        words = [sys.executable, "-m", program, verb, *map(os.fspath, arguments)]
        return words if verb == "--help" else [*words, "--settings", os.fspath(settings)]

    def _environment(self, home: Path | None) -> dict[str, str]:
        return {"OFFLOAD_HOME": os.fspath(home or self.work / "home")}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to be measured.

    Attributes:
        name: how the table calls it.
        run: does it once, from cold caches.
        tools: programs that it needs.
    """

    name: str
    run: Callable[[Bench], Sample]
    tools: Sequence[str] = field(default=())

    @property
    def missing(self) -> list[str]:
        """Programs that this machine lacks."""
        return [tool for tool in self.tools if shutil.which(tool) is None]


def offload_step(
    card: Callable[[Path], Path],
    *,
    checksums: Sequence[str] = (),
    drives: int = 2,
    once: bool = False,
    looks: bool = False,
) -> Callable[[Bench], Sample]:
    """``offload copy`` of a card to drives that are folders beside it."""

    def run(bench: Bench) -> Sample:
        source = card(bench.folder)
        bench.clear()
        options: list[str | Path] = ["--same-drive-ok"]
        for at in range(drives):
            drive = bench.work / f"shuttle-{at + 1}"
            drive.mkdir()
            options += ["--to", drive]
        for name in checksums:
            options += ["--checksum", name]
        if once:
            options += ["--card-reads", "1"]
        return bench.offload("copy", source, *options, looks=looks)

    return run


def shell_step(
    card: Callable[[Path], Path], copying: str, *verifying: str
) -> Callable[[Bench], Sample]:
    """Shell commands: copying as one, then each verification from cold caches.

    Args:
        card: makes the card.
        copying: with ``$CARD``, ``$ONE`` and ``$TWO``.
        verifying: likewise, one after the other.
    """

    def run(bench: Bench) -> Sample:
        source = card(bench.folder)
        bench.clear()
        places = {"CARD": source, "ONE": bench.work / "one", "TWO": bench.work / "two"}
        environment = {name: os.fspath(path) for name, path in places.items()}
        total = measured(["sh", "-ec", copying], environment=environment)
        for command in verifying:
            drop_caches()
            total += measured(["sh", "-ec", command], environment=environment)
        return total

    return run


def summing(tool: str) -> tuple[str, str, str]:
    """A checksum list of the card and of both copies."""
    return tuple(  # type: ignore[return-value]  # three places, three commands
        f'find "${place}" -type f -print0 | xargs -0 {tool} > /dev/null'
        for place in ("CARD", "ONE", "TWO")
    )


CP_TWICE = 'cp -a "$CARD" "$ONE"; cp -a "$CARD" "$TWO"; sync'
RSYNC_TWICE = 'rsync -a "$CARD/" "$ONE/"; rsync -a "$CARD/" "$TWO/"; sync'
RCLONE_TWICE = 'rclone -q copy "$CARD" "$ONE"; rclone -q copy "$CARD" "$TWO"; sync'
