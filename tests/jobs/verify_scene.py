"""A card offloaded to two folders, to be verified; damaged and mended as a test likes.

The offload is a whole one by the job itself. Both folders lie on one disk, which the policy
declares to be enough: what is verified here does not depend on it.
"""

import os
import shutil
from dataclasses import dataclass, field
from pathlib import Path

from offload.events import Event
from offload.jobs.offloading import offload_card
from offload.jobs.tools import Tools
from offload.jobs.verify_result import FileState, SignatureReport, Verification
from offload.jobs.verifying import Appending, VerifyTools, VerifyWish, verify_folder
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger.database import Ledger
from offload.record.keys import SigningKey, key_from_seed
from offload.record.signers import SignerEntry, Signers
from offload.values.facts import Policy

CLIPS = {
    "Clips/A001C001.mov": os.urandom(1_500_000),
    "Clips/A001C002.mov": os.urandom(70_001),
    "Clips/A001C003.mov": os.urandom(4_096),
    "Clips/A001C003.xml": b"<take/>",
    "empty.txt": b"",
}
STATION = key_from_seed(bytes(31) + b"\1")
POST = key_from_seed(bytes(31) + b"\2")
STRANGER = key_from_seed(bytes(31) + b"\3")


def known(*pairs: tuple[str, SigningKey], revoked: tuple[SigningKey, ...] = ()) -> Signers:
    """These keys are trusted under these names."""
    entries = tuple(SignerEntry(name, key.public) for name, key in pairs)
    return Signers(entries, frozenset(key.public for key in revoked))


TRUSTED = known(("station", STATION))


@dataclass
class Copies:
    """Two folders with a copy of the roll A001 each."""

    folder: Path
    events: list[Event] = field(default_factory=list)

    @classmethod
    def make(cls, folder: Path, files: dict[str, bytes] | None = None) -> "Copies":
        """Offload a card for real."""
        home, card = folder / "home", folder / "card"
        home.mkdir()
        for name, content in (files or CLIPS).items():
            path = card / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        (card / "Empty").mkdir()
        drives = []
        for name in ("shuttle-1", "shuttle-2"):
            (folder / name).mkdir()
            drives.append(DriveWish(name, os.fsencode(folder / name)))
        wish = Wish(
            os.fsencode(card),
            tuple(drives),
            roll="A001",
            policy=Policy(separate_drives=False),
            reserve_bytes=0,
        )
        with Ledger(os.fsencode(home)) as ledger:
            outcome = offload_card(wish, Tools(ledger, STATION))
        assert outcome.verdict.is_cleared
        return cls(folder)

    def again(self, folder: Path) -> "Copies":
        """The same, to be damaged by one test."""
        for name in ("shuttle-1", "shuttle-2"):
            shutil.copytree(self.folder / name, folder / name, symlinks=True)
        os.sync()
        return Copies(folder)

    @property
    def drive(self) -> Path:
        """The first drive."""
        return self.folder / "shuttle-1"

    @property
    def other(self) -> Path:
        """The second."""
        return self.folder / "shuttle-2"

    @property
    def roll(self) -> Path:
        """The roll on the first drive."""
        return self.drive / "A001"

    @property
    def records(self) -> Path:
        """What is written down about it, beside it."""
        return self.drive / "records" / "A001"

    @property
    def chain(self) -> Path:
        """The roll's chain."""
        return self.roll / "ascmhl" / "ascmhl_chain.xml"

    @property
    def manifest(self) -> Path:
        """The first manifest."""
        return next((self.roll / "ascmhl").glob("0001_*.mhl"))

    def verify(
        self,
        folder: Path | None = None,
        *,
        signers: Signers = TRUSTED,
        append_as: tuple[str, SigningKey] | None = None,
        **options: object,
    ) -> Verification:
        """Verify the first drive, or what is named."""
        appending = None
        if append_as is not None:
            appending = Appending(append_as[1], append_as[0], ("xxh128", "c4"))
        wish = VerifyWish(os.fsencode(folder or self.drive), appending, **options)  # type: ignore[arg-type]
        return verify_folder(wish, VerifyTools(signers, sink=self.events.append))


def flip(path: Path, at: int = 0, mask: int = 0x01) -> None:
    """Change one byte of a file."""
    content = bytearray(path.read_bytes())
    content[at] ^= mask
    path.write_bytes(content)
    os.sync()


def states(verification: Verification) -> dict[str, int]:
    """Files by state, whatever needs no attention left out."""
    return {
        state.word: count
        for state, count in verification.counts.items()
        if state not in (FileState.RECORD, FileState.LEFT_OUT)
    }


def told(verification: Verification) -> dict[str, str]:
    """State of each file that is reported, by path."""
    return {os.fsdecode(each.path): each.state.word for each in verification.reports}


def signature(verification: Verification, name: str) -> SignatureReport:
    """The signature that lies under this name, or the lack of one about a file of this name."""
    suffix = os.fsencode(name)
    return next(
        each
        for each in verification.signatures
        if each.path.endswith(suffix) or (not each.path and each.about.endswith(suffix))
    )
