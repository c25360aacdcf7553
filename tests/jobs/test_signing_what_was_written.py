"""Signatures vouch for what was written: one wrong reading afterwards is not signed.

A drive hands out one flipped bit, once, at each reading of a list, a manifest or a chain in turn.
Whatever the program then says, no file may bear our signature that does not fit what is stored.
The judge is ``ssh-keygen -Y verify`` of OpenSSH.
"""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.errors import OffloadError
from offload.jobs.offloading import offload_card
from offload.jobs.renaming import RenameWish, rename_roll
from offload.jobs.tools import Tools
from offload.jobs.verifying import Appending, VerifyTools, VerifyWish, verify_folder
from offload.jobs.wishes import DriveWish, Wish
from offload.ledger import rolls
from offload.ledger.database import Ledger
from offload.values.facts import Policy
from tests.jobs.verify_scene import CLIPS, POST, STATION, Copies, known
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.machine import loops_as_disks

pytestmark = pytest.mark.lab

BOTH = known(("station", STATION), ("post", POST))


def unfit(drive: Path, roll: str) -> list[str]:
    """Names of signed files that no listed key has signed as they are stored."""
    records = drive / "records" / roll
    found = []
    for signature in sorted(records.glob("*.sig")):
        name = signature.name.removesuffix(".sig")
        signed = next(p for p in (records / name, drive / roll / "ascmhl" / name) if p.exists())
        who = subprocess.run(
            ["ssh-keygen", "-Y", "check-novalidate", "-n", "offload-record", "-s", signature],
            input=signed.read_bytes(),
            capture_output=True,
        )
        if who.returncode:
            found.append(name)
    return found


def test_next_generation_is_signed_as_it_was_written(
    master: Copies, faulty_disk: Callable[..., FaultFs]
) -> None:
    for nth in range(1, 50):
        fs = faulty_disk(f"drive-{nth}", direct_io=True)
        shutil.copytree(master.drive, fs.backing, dirs_exist_ok=True)
        wish = VerifyWish(os.fsencode(fs.root), Appending(POST, "post", ("xxh128", "c4")))
        fs.plan(Fault("read", "flip_out", nth=nth, path=r"A001/ascmhl/(ascmhl_chain.xml|0002_.*)"))
        try:
            found = verify_folder(wish, VerifyTools(BOTH, loops_as_disks()))
        except OffloadError:
            found = None  # said, and not signed
        assert unfit(fs.backing, "A001") == [], f"reading {nth}"
        if not fs.struck:
            assert nth > 4 and found is not None and found.appended
            return
        fs.close()
    raise AssertionError("there was no end to the readings")


def test_renamed_lists_are_signed_as_they_were_written(
    tmp_path: Path, faulty_disk: Callable[..., FaultFs]
) -> None:
    fs = faulty_disk("drive", direct_io=True)
    card = tmp_path / "card"
    for name, content in CLIPS.items():
        (card / name).parent.mkdir(parents=True, exist_ok=True)
        (card / name).write_bytes(content)
    (tmp_path / "home").mkdir()
    wish = Wish(
        os.fsencode(card),
        (DriveWish("shuttle-1", os.fsencode(fs.root)),),
        roll="A001",
        policy=Policy(copies_needed=1, separate_drives=False),
        reserve_bytes=0,
    )
    with Ledger(os.fsencode(tmp_path / "home")) as ledger:
        tools = Tools(ledger, STATION, loops_as_disks())
        offload_card(wish, tools)
        (roll,) = rolls.newest(ledger)
        assert (fs.backing / "records/A001/A001.sha512.sig").exists()
        for nth in range(1, 60):
            new = f"A{nth + 1:03d}"
            asked = RenameWish(roll.roll, new, "the wrangler", "the slate", ("xxh128", "c4"))
            fs.plan(
                Fault("read", "flip_out", nth=nth, path=r"records/A\d+/(A\d+\.\w+|names-.*json)")
            )
            try:
                rename_roll(asked, tools)
            except OffloadError:
                fs.plan()
                rename_roll(asked, tools)
                assert unfit(fs.backing, new) == [], f"after reading {nth}"
                continue
            assert unfit(fs.backing, new) == [], f"reading {nth}"
            if not fs.struck:
                assert nth > 4
                return
    raise AssertionError("there was no end to the readings")
