"""Each safeguard is needed: with it the lab passes, without it the lab fails.

A safeguard is taken out of the running code by replacing it; nothing else is changed. If one of
these tests begins to pass without its safeguard, either the lab has gone blind or another
safeguard stands behind it.
"""

import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import offload.jobs.clearing
import offload.jobs.joining
import offload.jobs.offloading
import offload.jobs.passes
import offload.jobs.placing
import offload.jobs.recording
import offload.storage.durable
import offload.storage.naming
import offload.storage.syscalls
import offload.transfer.prover
from offload.checksum import COMPARE
from offload.jobs.surroundings import Surroundings
from offload.jobs.verify_result import SignatureState
from offload.jobs.verifying import VerifyTools, VerifyWish, verify_folder
from offload.record.sshsig import Signature
from offload.storage.root import Root
from offload.transfer.readings import Outcome, ReadingResult
from offload.values.facts import ReadBack
from offload.values.paths import name, parent
from offload.volumes.volume import Volume as MountedVolume
from tests.lab import cards, oracle, powercuts
from tests.lab.cases import USUAL
from tests.lab.faultfs import Fault
from tests.lab.images import EXT4, Rack
from tests.lab.machine import physical_by_loop
from tests.lab.runner import Runner
from tests.lab.stage import CARD, DRIVES, Case, Stage
from tests.lab.subjects import LibraryOffload, offloaded

pytestmark = pytest.mark.lab
Patch = pytest.MonkeyPatch
TakenOut = Callable[[Patch], None]

# One whole page that the kernel keeps as it was written, while another bit was stored.
FLIPPED_IN = Case(
    "flipped on the way in",
    (("drive-1", Fault("write", "flip_in", path=r".*C002\.mov", at=1000)),),
    "drive-1",
    "flip_in",
)
LEFT_OUT = Case(
    "left out of the first listing",
    ((CARD, Fault("readdir", "leave_out", path="CLIPS", name="A001C002.mov")),),
    CARD,
    "leave_out",
)
LIES_ONCE = Case(
    "lies at the first reading",
    ((CARD, Fault("read", "flip_out", path=r".*C002\.mov")),),
    CARD,
    "flip_out",
)


@pytest.fixture
def stage(rack: Rack, tmp_path: Path) -> Iterator[Stage]:
    made = Stage(rack, tmp_path / "stage")
    yield made
    made.close()


def without_comparing(patch: Patch, *, of_card: bool) -> None:
    """Whatever is read counts as the bytes that were expected."""
    real = offload.transfer.prover.Prover._judge

    def judge(self: Any, opened: Any, digests: Any) -> None:
        if self._reading.is_card is of_card:
            digests = {COMPARE: self._digests.get(COMPARE, opened.number)}
        real(self, opened, digests)

    patch.setattr(offload.transfer.prover.Prover, "_judge", judge)


def without_read_back(patch: Patch) -> None:
    without_comparing(patch, of_card=False)


def without_second_reading(patch: Patch) -> None:
    without_comparing(patch, of_card=True)


def without_cache_drop(patch: Patch) -> None:
    """No page is dropped, nothing is read directly, and the device's counter is not asked."""
    real = offload.jobs.passes.prove_all

    def prove(*given: Any, **named: Any) -> dict[str, ReadingResult]:
        results = real(*given, **named)
        for result in results.values():
            result.read_back = ReadBack.DEVICE
            for number, outcome in enumerate(result.outcomes):
                if outcome == Outcome.EQUAL_CACHED:
                    result.outcomes[number] = Outcome.EQUAL
        return results

    patch.setattr(offload.jobs.passes, "prove_all", prove)
    patch.setattr(offload.transfer.prover, "drop_pages", lambda fd, size: True)
    patch.setattr("offload.storage.reading._DIRECT", 0)


def without_second_listing(patch: Patch) -> None:
    real = offload.jobs.offloading.list_card
    kept: dict[int, Any] = {}

    def listed(card: Any, surroundings: Any) -> Any:
        if id(card.root) not in kept:
            kept.clear()
            kept[id(card.root)] = real(card, surroundings)
        return kept[id(card.root)]

    patch.setattr(offload.jobs.offloading, "list_card", listed)


@pytest.mark.parametrize(
    ("case", "taken_out"),
    [
        pytest.param(FLIPPED_IN, without_read_back, id="read-back"),
        pytest.param(FLIPPED_IN, without_cache_drop, id="cache drop"),
        pytest.param(LEFT_OUT, without_second_listing, id="second listing"),
        pytest.param(LIES_ONCE, without_second_reading, id="second reading of the card"),
    ],
)
def test_lab_fails_without_the_safeguard(
    stage: Stage, monkeypatch: Patch, case: Case, taken_out: TakenOut
) -> None:
    runner = Runner(stage, LibraryOffload())
    runner.baseline()
    kept = runner.run(case)
    assert kept.struck
    assert kept.broken == ()
    taken_out(monkeypatch)
    runner.baseline()
    lost = runner.run(case)
    assert lost.answer.is_cleared
    assert any("FALSE CLEARANCE" in sentence for sentence in lost.broken)


def test_lab_fails_without_sync(rack: Rack, tmp_path: Path, monkeypatch: Patch) -> None:
    """A power cut right after the word; the copies must be there."""
    card = rack.volume(EXT4, name="card")
    cards.write_tree(card.root, USUAL)
    card.sync()
    truth = oracle.content_of(card.root, leaves_out=[b"lost+found"])

    def outlives(number: int) -> bool:
        with (
            powercuts.recorded(rack, f"shuttle-1-{number}") as one,
            powercuts.recorded(rack, f"shuttle-2-{number}") as two,
        ):
            roots = {"shuttle-1": one.volume.root, "shuttle-2": two.volume.root}
            home = tmp_path / f"home-{number}"
            home.mkdir()
            answer = offloaded(card.root, roots, home)
            cuts = [drive.at(drive.moment(), cache_seed=1) for drive in (one, two)]
            for cut in cuts:
                cut.mount()
            copies = oracle.drives_with_copy([cut.root for cut in cuts], truth)
            for cut in cuts:
                cut.close()
            return answer.is_cleared and copies == 2

    assert outlives(1)
    monkeypatch.setattr(os, "fsync", lambda fd: None)
    monkeypatch.setattr(offload.storage.syscalls, "syncfs", lambda fd: None)
    assert not outlives(2)


def test_lab_fails_without_exclusive_rename(stage: Stage, monkeypatch: Patch) -> None:
    """Somebody else puts a file under a name that the clearance is about to take."""

    def plain(root: Root, source: bytes, target: bytes) -> None:
        os.rename(
            name(source),
            name(target),
            src_dir_fd=root.folder(parent(source)),
            dst_dir_fd=root.folder(parent(target)),
        )

    theirs = b"somebody else's"
    place = stage.backing(DRIVES[0]) / "records/A001/clearance-0001.json"

    def is_kept() -> bool:
        stage.reset(USUAL)
        drive = stage.mounts[DRIVES[0]]
        drive.plan(Fault("rename", "hang", path=r".*-> records/A001/clearance-0001\.json"))

        def put() -> None:
            drive.wait_hanging(30)
            place.write_bytes(theirs)
            drive.release()

        other = threading.Thread(target=put)
        other.start()
        LibraryOffload().offload(stage, card_reads=2)
        other.join()
        return place.read_bytes() == theirs

    assert is_kept()
    for module in (
        offload.storage.durable,
        offload.jobs.clearing,
        offload.jobs.recording,
        offload.jobs.placing,
        offload.jobs.joining,
    ):
        monkeypatch.setattr(module, "rename_exclusive", plain)
    assert not is_kept()


def test_lab_fails_without_the_separate_drive_rule(rack: Rack, tmp_path: Path) -> None:
    """Two folders on one device: the independent count is by the system's device numbers."""
    card, drive = rack.volume(EXT4, name="card"), rack.volume(EXT4, name="drive")
    cards.write_tree(card.root, USUAL)
    card.sync()
    roots = {place: drive.root / place for place in ("one", "two")}
    for root in roots.values():
        root.mkdir()
    devices = {root.stat().st_dev for root in roots.values()}
    homes = [tmp_path / name for name in ("kept", "lost")]
    for home in homes:
        home.mkdir()
    answer = offloaded(card.root, roots, homes[0])
    assert not answer.is_cleared
    assert len(devices) == 1
    seen = iter(range(1000))

    def each_its_own(volume: MountedVolume) -> Any:
        return replace(physical_by_loop(volume), devices=frozenset({f"disk:{next(seen)}"}))

    lost = offloaded(card.root, roots, homes[1], Surroundings(physical=each_its_own))
    assert lost.is_cleared


def test_lab_fails_without_signature_check(stage: Stage, monkeypatch: Patch) -> None:
    stage.reset(USUAL)
    assert LibraryOffload().offload(stage, card_reads=2).is_cleared
    sums = stage.backing(DRIVES[0]) / "records/A001/A001.sha512"
    sums.write_bytes(sums.read_bytes().replace(b"CLIPS", b"CLIPZ", 1))

    def state() -> SignatureState:
        wish = VerifyWish(os.fsencode(stage.root(DRIVES[0])))
        found = verify_folder(wish, VerifyTools())
        return next(one.state for one in found.signatures if one.about.endswith(b"A001.sha512"))

    assert state() is SignatureState.CHANGED
    monkeypatch.setattr(Signature, "is_over", lambda self, message: True)
    assert state() is not SignatureState.CHANGED
