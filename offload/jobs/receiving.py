"""A delivery, start to finish: checked against its sender's record in the reading that copies it.

Order: everything is listed and every record loaded; each roll is read once, written to all drives,
read back from them and written down there; then the delivery is judged by that one reading, as
``verify`` judges a folder by its own. Nothing is written on the delivery unless asked for.
"""

import os
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, replace

from offload.clearance.origin import CopyName
from offload.errors import DriveError, OffloadError, UsageError, reason
from offload.jobs.descents import source_name
from offload.jobs.opening import HeldCard, is_still_mounted, open_card, read_marker
from offload.jobs.receive_parts import Part, parts_of
from offload.jobs.receive_record import Read, Signer, judge_read
from offload.jobs.receive_result import Received, ReceivedRoll
from offload.jobs.receive_rolls import RollJudge
from offload.jobs.receive_run import Delivery, DeliveryRun, left_error
from offload.jobs.receive_sentences import result_of_roll
from offload.jobs.tools import Tools
from offload.jobs.verify_result import Appended
from offload.jobs.verifying import Appending, Verifying, VerifyTools, VerifyWish, begin_verifying
from offload.jobs.wishes import Wish
from offload.ledger import drives
from offload.ledger.lease import take_card
from offload.ledger.locks import Holder
from offload.record.signers import Signers
from offload.storage.root import Root
from offload.transfer.readings import Outcome
from offload.values.facts import Policy, ReadBack
from offload.values.paths import name, parent, shown, to_text


@dataclass(frozen=True, slots=True)
class ReceiveWish:
    """What is asked for.

    Attributes:
        wish: the delivery in place of a card, drives, checksums, folders.
        signers: whose keys are known and revoked.
        appends: the next generation is written on the delivery, too.
        is_further: it is a copy that a person named, of the station's own or not, to be copied to
            a further drive.
    """

    wish: Wish
    signers: Signers
    appends: bool = False
    is_further: bool = False


def receive(asked: ReceiveWish, tools: Tools) -> Received:
    """Receive one delivery.

    Raises:
        UsageError: it is no delivery, or it is one of the station's own drives.
        DriveError: it cannot be opened or listed.
        LeftError: it was taken out; nothing is said of it.
        StoppedError: the user wanted to stop.
        BusyError: another run works on it.
        PreflightError: something stands in the way of the whole run.
        OffloadError: anything else that lets nothing be said.
    """
    wish = _as_delivery(asked.wish)
    with ExitStack() as stack:
        card = open_card(wish.card, tools.surroundings, tools.layouts)
        stack.callback(card.root.close)
        if not asked.is_further:
            refuse_own_drive(card, tools)
        _refuse_targets(card, wish)
        machine = tools.surroundings
        holder = Holder(machine.pid, machine.host, machine.now_ns())
        stack.enter_context(take_card(tools.ledger.home, card.mounting, holder))
        receiving = _Receiving(replace(asked, wish=wish), tools, card)
        stack.callback(receiving.close)
        try:
            return receiving.whole()
        except OSError as error:
            raise DriveError(
                f"the system would not go on: {reason(error)}",
                path=card.path,
                meaning="Nothing can be said of this delivery.",
                remedy="See that it and the drives are there and answer, then the same command.",
            ) from error


class _Receiving:
    """One delivery under way."""

    def __init__(self, asked: ReceiveWish, tools: Tools, card: HeldCard) -> None:
        self._asked = asked
        self._tools = tools
        self._card = card
        self._appending = Appending(tools.key, tools.identity, asked.wish.checksums)
        told = VerifyTools(
            asked.signers, tools.surroundings, tools.progress, tools.sink, tools.is_stopped
        )
        self._verifying: Verifying = begin_verifying(card.path, told, name="delivery")
        self._runs: dict[bytes, tuple[Part, DeliveryRun]] = {}
        self._added: tuple[Appended, ...] = ()
        volume = card.volume
        own = _own_drive(card, tools)
        self._drive = own or (volume.label or self._name, os.path.realpath(volume.mount_point))

    def close(self) -> None:
        """Let go of it."""
        self._verifying.close()

    def whole(self) -> Received:
        """Every step."""
        verifying = self._verifying
        if not verifying.records.found:
            raise _no_record(self._card.path)
        verifying.plan(self._appending)
        plan = verifying.checker.plan
        parts = parts_of(verifying.listing, verifying.records, plan, self._name)
        delivery = self._delivery()
        rolls = [self._roll(part, delivery) for part in parts]
        self._judge()
        judge = RollJudge(verifying)
        rolls = [
            replace(roll, is_as_sent=judge.is_as_sent(part))
            for roll, (part, _) in zip(rolls, self._runs.values(), strict=True)
        ]
        not_appended = self._append() if self._asked.appends else ""
        whole = Received(
            self._name,
            replace(verifying.result(VerifyWish(self._card.path)), appended=self._added),
            tuple(rolls),
            not_appended=not_appended,
        )
        ended = [
            run.end(result_of_roll(whole, roll))
            for roll, (_, run) in zip(rolls, self._runs.values(), strict=True)
        ]
        return replace(whole, is_noted=all(ended))

    @property
    def _name(self) -> str:
        """The name that a person gave, the volume's, or the folder's."""
        volume = self._card.volume
        own = "" if self._card.is_folder else volume.label
        last = name(self._card.path).decode("utf-8", "replace")
        return self._asked.wish.roll or own or last or "delivery"

    def _delivery(self) -> Delivery:
        verifying = self._verifying
        claims, listing = verifying.records.claims, verifying.listing
        algorithms: set[str] = set()
        for number in verifying.checker.to_read():
            for path in verifying.checker.names_of(number):
                algorithms |= claims.algorithms_for(path)
        wanted = verifying.checker.plan.wanted
        algorithms |= {algorithm for algorithm, _ in wanted}
        volume_id = self._card.volume.volume_id
        inside = os.path.relpath(self._card.path, self._card.volume.mount_point)
        where = to_text(inside if volume_id else self._card.path)
        return Delivery(
            verifying.place.root,
            listing.entries,
            f"{volume_id} {where}",
            self._name,
            tuple(sorted(algorithms)),
            verifying.checker.differs,
            Signer(self._appending, self._asked.signers, self._comment),
            self._asked.is_further,
        )

    @property
    def _comment(self) -> str:
        if self._asked.is_further:
            return f"copied from {to_text(self._card.path)}"
        return f"received from {self._name}"

    def _roll(self, part: Part, delivery: Delivery) -> ReceivedRoll:
        if not is_still_mounted(self._card, self._tools.surroundings):
            raise left_error(self._card.path)
        with self._held(part) as root:
            card = replace(
                self._card,
                path=root.path,
                root=root,
                is_folder=True,
                is_folder_on_drive=True,
            )
            self._tools.progress.begin_anew()
            source = self._source(part)
            run = DeliveryRun(self._asked.wish, self._tools, card, delivery, part, source)
            try:
                received = run.receive()
            finally:
                run.close()
        self._runs[part.folder] = part, run
        return received

    def _source(self, part: Part) -> CopyName | None:
        """The roll as a copy that others are made from."""
        drive, top = self._drive
        there = os.path.realpath(os.path.join(self._verifying.place.root.path, part.folder))
        histories = self._verifying.records.claims.custody.histories
        return source_name(drive, os.path.relpath(there, top), histories.get(part.folder))

    def _held(self, part: Part) -> Root:
        """The part's folder, the one that was listed."""
        top = self._verifying.place.root
        path = os.path.join(top.path, part.folder) if part.folder else top.path
        root = Root(path, keep_times=True)
        facts, listed = os.fstat(root.fd), top.facts(part.folder)
        if (facts.st_dev, facts.st_ino) != (listed.st_dev, listed.st_ino):
            root.close()
            raise DriveError("the folder was exchanged for another one", path=path)
        return root

    # --- judged by the reading of the copying

    def _judge(self) -> None:
        owner = {
            self._verifying.listing.entries.path(number): (part, run)
            for part, run in self._runs.values()
            for number in part.numbers
        }
        findings = [finding for _, run in self._runs.values() for finding in run.findings]

        def read(path: bytes) -> Read:
            if path not in owner:
                return Outcome.NOT_READ, {}
            part, run = owner[path]
            return run.read_of(part.inside(path))

        judge_read(self._verifying, read, ReadBack.DEVICE, findings)

    def _append(self) -> str:
        """Write the next generation on the delivery itself; why not, where it may not be."""
        comment = "received, checked and copied"
        self._added, why_not = self._verifying.append(self._appending, comment=comment)
        return why_not


def refuse_own_drive(card: HeldCard, tools: Tools) -> None:
    """A drive of the station's own is no delivery.

    Raises:
        UsageError: it is one, or lies on one.
    """
    own = _own_drive(card, tools)
    if own is not None:
        raise _own(card.path, own[0])


def _own_drive(card: HeldCard, tools: Tools) -> tuple[str, bytes] | None:
    """Name and folder of the station's own drive that something is, or lies on."""
    known = {each.hints.marker: each.hints.name for each in drives.all_known(tools.ledger)}
    real = os.path.realpath(card.path)
    for folder in _up_to(real, card.volume.mount_point):
        try:
            with Root(folder) as root:
                marker = read_marker(root)
        except OSError:
            marker = ""
        if marker and marker in known:
            return known[marker], folder
    return None


def _refuse_targets(card: HeldCard, wish: Wish) -> None:
    """Nothing is copied into itself."""
    real = os.path.realpath(card.path)
    for drive in wish.drives:
        path = os.path.realpath(drive.path) if drive.path else b""
        is_inside = path and (_is_within(real, path) or _is_within(path, real))
        is_volume = drive.volume_id and drive.volume_id == card.volume.volume_id
        if is_inside or (is_volume and not card.is_folder):
            raise UsageError(
                f"the drive {shown(drive.name)} holds what is to be copied, or lies within it",
                path=card.path,
                meaning="Nothing was read or written.",
                remedy="Name another drive:  --to DRIVE",
            )


def _up_to(path: bytes, top: bytes) -> Iterable[bytes]:
    """A folder and all above it on its volume."""
    while True:
        yield path
        if path in (top, b"/", b""):
            return
        path = parent(path) or b"/"


def _is_within(path: bytes, folder: bytes) -> bool:
    return path == folder or path.startswith(folder.rstrip(b"/") + b"/")


def _own(path: bytes, drive: str) -> OffloadError:
    return UsageError(
        f"this is the station's own drive {to_text(drive.encode('utf-8', 'surrogateescape'))}, "
        "and no delivery",
        path=path,
        meaning="Nothing was read or written.",
        remedy=f"To check what is on it:  offload verify {to_text(path)}; to copy one of its rolls "
        "to a further drive:  offload copy FOLDER-OF-ROLL --to DRIVE",
    )


def _no_record(path: bytes) -> OffloadError:
    return UsageError(
        "there is no record on it, so nothing says what was sent",
        path=path,
        meaning="Nothing was copied.",
        remedy=f"If it is a card:  offload copy {to_text(path)}",
    )


def _as_delivery(wish: Wish) -> Wish:
    """Read once: the sender's record is the second opinion."""
    asked = wish.policy
    policy = Policy(asked.copies_needed, asked.separate_drives, 1, asked.declared_separate)
    return replace(wish, is_delivery=True, policy=policy, looks=False)
