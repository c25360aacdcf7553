"""Facts for tests: a card on which all is well, and each single thing that can be wrong with it."""

from dataclasses import replace

from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import (
    CardState,
    CopyState,
    Decision,
    DriveFacts,
    Facts,
    Policy,
    ReadBack,
)
from offload.values.findings import Finding
from offload.values.inventory import Inventory

CLIP = b"CLIP/A001C001.mov"
LINK = b"latest"
ENTRIES = (
    Entry(b"AUDIO", Kind.FOLDER),
    Entry(CLIP, Kind.FILE, 900),
    Entry(b"CLIP/A001C002.mov", Kind.FILE, 800),
    Entry(b"INDEX.XML", Kind.FILE, 10),
    Entry(LINK, Kind.LINK, 0, 0, "CLIP"),
)
CARD_STATES = bytes([1, 1, 1, 1, 7])
PROVEN = bytes([1, 1, 1, 1, 0])
FIRST, SECOND = 1, 2
"""Numbers of the two clips in the inventory."""


def drive(name: str, device: str, states: bytes = PROVEN, **facts: object) -> DriveFacts:
    """A well drive on a device of its own."""
    made = DriveFacts(
        name,
        b"/mnt/" + name.encode() + b"/Night Ferry/A001",
        frozenset({device}),
        states,
        names_read=True,
        read_back=ReadBack.DEVICE,
    )
    return replace(made, **facts)  # type: ignore[arg-type]


def sums(count: int = len(ENTRIES)) -> bytes:
    """A different made-up checksum for each entry."""
    return b"".join(bytes([number + 1]) * 16 for number in range(count))


def good(**facts: object) -> Facts:
    """Two proven copies on two devices, the card read twice and still in its reader."""
    made = Facts(
        Inventory(Entries(ENTRIES)),
        CARD_STATES,
        (drive("shuttle-1", "disk:8:0"), drive("shuttle-2", "disk:8:16")),
        checksums=sums(),
    )
    return replace(made, **facts)  # type: ignore[arg-type]


def with_drive(at: int, **changes: object) -> Facts:
    """The good facts with one drive different."""
    drives = list(good().drives)
    drives[at] = replace(drives[at], **changes)  # type: ignore[arg-type]
    return good(drives=tuple(drives))


def with_copy(state: int, at: int = FIRST) -> Facts:
    """The good facts with one copy of one entry on the second drive in another state."""
    states = bytearray(PROVEN)
    states[at] = state
    return with_drive(1, states=bytes(states))


def with_card(state: int, at: int = FIRST) -> Facts:
    """The good facts with another state of one entry on the card."""
    states = bytearray(CARD_STATES)
    states[at] = state
    return good(card_states=bytes(states))


def with_entry(
    entry: Entry, card: int = CardState.NOT_COPIED, copy: int = CopyState.ABSENT
) -> Facts:
    """The good facts with one more entry, sorted behind the others."""
    assert all(entry.path >= each.path for each in ENTRIES)
    facts = good()
    drives = tuple(replace(each, states=each.states + bytes([copy])) for each in facts.drives)
    return replace(
        facts,
        inventory=Inventory(Entries((*ENTRIES, entry))),
        card_states=facts.card_states + bytes([card]),
        drives=drives,
        checksums=b"",
    )


def clip_finding(code: str, path: bytes = CLIP) -> Finding:
    """A doubt about a clip."""
    return Finding(code, "seen by its structure", path)


def decision(code: str, path: bytes = CLIP, number: int = FIRST) -> Decision:
    """A decision over the content that :func:`sums` says is there."""
    return Decision(code, path, bytes([number + 1]) * 16, "the wrangler", "battery died, no take")


SAME_DEVICE = (drive("shuttle-1", "disk:8:0"), drive("shuttle-2", "disk:8:0"))
NOTHING = Facts(Inventory(Entries()), b"", (drive("shuttle-1", "a", b""), drive("s-2", "b", b"")))

PAIR = frozenset({frozenset({"shuttle-1", "shuttle-2"})})

GOOD: dict[str, Facts] = {
    "two drives": good(),
    "one copy asked for, one drive": good(drives=good().drives[:1], policy=Policy(copies_needed=1)),
    "one device, allowed": good(drives=SAME_DEVICE, policy=Policy(separate_drives=False)),
    "device not known, one device allowed": replace(
        with_drive(1, is_known=False), policy=Policy(separate_drives=False)
    ),
    "folder card beside its copies, allowed": replace(
        with_drive(1, is_on_card=True), is_folder_card=True, policy=Policy(separate_drives=False)
    ),
    "device not known, declared": replace(
        with_drive(1, is_known=False), policy=Policy(declared_separate=PAIR)
    ),
    "no device, declared": replace(
        with_drive(1, is_known=False, devices=frozenset()), policy=Policy(declared_separate=PAIR)
    ),
    "two known in one enclosure, declared": good(
        drives=tuple(replace(each, devices=each.devices | {"usb:1-2"}) for each in good().drives),
        policy=Policy(declared_separate=PAIR),
    ),
    "two in one enclosure, declared": good(
        drives=tuple(drive(f"shuttle-{n}", "enclosure:1-2", is_known=False) for n in (1, 2)),
        policy=Policy(declared_separate=PAIR),
    ),
    "server's word accepted": with_drive(
        1,
        devices=frozenset({"server:10.0.0.7"}),
        states=bytes([2, 2, 2, 2, 0]),
        accepts_server=True,
    ),
    "names not read anew": with_drive(1, names_read=False),
    "third drive failed": good(
        drives=(*good().drives, drive("c", "disk:8:32", bytes(5), failure="stopped answering"))
    ),
    "third drive differs": good(
        drives=(*good().drives, drive("c", "disk:8:32", bytes([1, 4, 1, 1, 0])))
    ),
    "a copy made by hand, another file of that name beside it": good(
        drives=(
            *good().drives[:1],
            drive("b", "disk:8:16", bytes([1, 4, 1, 1, 0]), is_hand_made=True),
            drive("c", "disk:8:32", bytes([0, 1, 0, 0, 0])),
        )
    ),
    "little left out": good(left_out_bytes=16 << 20),
    "clip settled": good(
        clip_findings=(clip_finding("clip-unfinished"),), decisions=(decision("clip-unfinished"),)
    ),
    "notices": good(notices=(Finding("clip-uneven-frames", "frames of unequal length", CLIP),)),
}
"""Facts that may clear."""

BAD: dict[str, tuple[str, Facts]] = {
    "no copy asked for": ("policy-too-low", good(policy=Policy(copies_needed=0))),
    "fewer than no copy": ("policy-too-low", good(policy=Policy(copies_needed=-1))),
    "no reading asked for": ("policy-too-low", good(policy=Policy(card_reads=0))),
    "half a copy": ("policy-too-low", good(policy=Policy(copies_needed=1.5))),  # type: ignore[arg-type]
    "card gone": ("card-gone", good(is_card_present=False)),
    "other mounting": ("card-was-away", good(is_same_mounting=False)),
    "mounting unknown": ("card-was-away", good(is_same_mounting=None)),
    "other list": ("card-changed", good(is_as_listed=False)),
    "a change found": ("card-changed", good(card_changes=(Finding("added", "added", b"B.mov"),))),
    "folder not listed": ("not-listed", good(listing_errors=(Finding("x", "denied", b"CLIPS2"),))),
    "name twice": ("listed-twice", with_entry(Entry(LINK, Kind.FILE, 5), 1, 1)),
    "mount found": ("inner-mount", good(uncrossed_mounts=(Finding("m", "ext4", b"in"),))),
    "mount listed": ("inner-mount", with_entry(Entry(b"mnt", Kind.MOUNT))),
    "nothing": ("nothing-to-prove", NOTHING),
    "layout without clip": ("nothing-to-prove", good(is_layout_without_clip=True)),
    "pipe": ("not-copied", with_entry(Entry(b"pipe", Kind.PIPE))),
    "socket": ("not-copied", with_entry(Entry(b"socket", Kind.SOCKET))),
    "device": ("not-copied", with_entry(Entry(b"sdx", Kind.DEVICE))),
    "name unreadable": ("unreadable-on-card", with_entry(Entry(b"x.mov", Kind.UNREADABLE))),
    "pipe called read": ("not-copied", with_entry(Entry(b"pipe", Kind.PIPE), 1, 1)),
    "file not read": ("card-not-read", with_card(CardState.NOT_READ)),
    "file unreadable": ("unreadable-on-card", with_card(CardState.UNREADABLE)),
    "file changing": ("changed-on-card", with_card(CardState.CHANGED)),
    "readings differ": ("readings-differ", with_card(CardState.DIFFERS)),
    "reading cached": ("card-read-cached", with_card(CardState.CACHED)),
    "empty folder not looked at": ("card-not-read", with_card(CardState.NOT_READ, 0)),
    "file called not copied": ("facts-incomplete", with_card(CardState.NOT_COPIED)),
    "file called a link": ("facts-incomplete", with_card(CardState.FROM_LINK)),
    "card state of no meaning": ("facts-incomplete", with_card(99)),
    "link not recorded": ("facts-incomplete", with_card(CardState.NOT_READ, 4)),
    "card column short": ("facts-incomplete", good(card_states=CARD_STATES[:-1])),
    "card column long": ("facts-incomplete", good(card_states=CARD_STATES + b"\1")),
    "drive column short": ("facts-incomplete", with_drive(1, states=PROVEN[:-1])),
    "drive column empty": ("facts-incomplete", with_drive(1, states=b"")),
    "drive column long": ("facts-incomplete", with_drive(1, states=PROVEN + b"\1")),
    "checksums short": ("facts-incomplete", good(checksums=sums()[:-1])),
    "drive named twice": ("facts-incomplete", with_drive(1, name="shuttle-1")),
    "footage left out": ("left-out-footage", good(left_out_footage=True)),
    "footage left out by name": ("left-out-footage", good(left_out_clips=(b".fseventsd/a.mov",))),
    "much left out": ("left-out-too-large", good(left_out_bytes=(16 << 20) + 1)),
    "negative left out": ("left-out-too-large", good(left_out_bytes=-1)),
    "much left out, not counted": (
        "left-out-too-large",
        good(
            inventory=Inventory(
                Entries(ENTRIES), Entries([Entry(b".Spotlight-V100/x", Kind.FILE, 17 << 20)])
            )
        ),
    ),
    "drive is a card": ("drive-is-card", with_drive(1, is_card=True)),
    "drive on the card": ("drive-on-card", with_drive(1, is_on_card=True)),
    "drive on the card, one device allowed": (
        "drive-on-card",
        replace(with_drive(1, is_on_card=True), policy=Policy(separate_drives=False)),
    ),
    "drive beside a folder card": (
        "shared-drive",
        replace(with_drive(1, is_on_card=True), is_folder_card=True),
    ),
    "drive in memory": ("ram-drive", with_drive(1, is_ram=True)),
    "device not known": ("drive-unknown", with_drive(1, is_known=False)),
    "no device": ("drive-unknown", with_drive(1, devices=frozenset())),
    "device without name": ("drive-unknown", with_drive(1, devices=frozenset({""}))),
    "one copy on an unknown device": (
        "drive-unknown",
        good(drives=(drive("x", "disk:8:0", is_known=False),), policy=Policy(copies_needed=1)),
    ),
    "one device allowed, none seen": (
        "drive-unknown",
        replace(
            with_drive(1, is_known=False, devices=frozenset()),
            policy=Policy(separate_drives=False),
        ),
    ),
    "one device": ("shared-drive", good(drives=SAME_DEVICE)),
    "one device declared to be two": (
        "shared-drive",
        good(
            drives=SAME_DEVICE,
            policy=Policy(declared_separate=frozenset({frozenset({"shuttle-1", "shuttle-2"})})),
        ),
    ),
    "one disk declared to be two, half seen": (
        "shared-drive",
        good(
            drives=(SAME_DEVICE[0], replace(SAME_DEVICE[1], is_known=False)),
            policy=Policy(declared_separate=frozenset({frozenset({"shuttle-1", "shuttle-2"})})),
        ),
    ),
    "two in one enclosure": (
        "shared-drive",
        good(
            drives=tuple(
                replace(each, devices=each.devices | {"usb:1-2"}) for each in good().drives
            )
        ),
    ),
    "one disk, nothing else known": (
        "shared-drive",
        good(drives=tuple(replace(each, is_known=False) for each in SAME_DEVICE)),
    ),
    "nothing known of two disks": (
        "drive-unknown",
        good(drives=tuple(replace(each, is_known=False) for each in good().drives)),
    ),
    "drive refused": (
        "too-few-copies",
        with_drive(
            1,
            devices=frozenset(),
            is_known=False,
            is_present=False,
            is_recorded=False,
            states=bytes(5),
            failure="no space left on device (ENOSPC)",
        ),
    ),
    "one folder": (
        "shared-drive",
        replace(
            with_drive(1, path=good().drives[0].path + b"/"), policy=Policy(separate_drives=False)
        ),
    ),
    "drive away": ("drive-away", with_drive(1, is_present=False)),
    "drive failed": ("too-few-copies", with_drive(1, failure="stopped answering at 02:04")),
    "no record": ("record-not-written", with_drive(1, is_recorded=False)),
    "record unknown": ("record-not-written", with_drive(1, is_recorded=None)),
    "server's word": ("server-not-accepted", with_copy(CopyState.PROVEN_SERVER)),
    "copy absent": ("too-few-copies", with_copy(CopyState.ABSENT)),
    "empty folder absent": ("too-few-copies", with_copy(CopyState.ABSENT, 0)),
    "copy cached": ("copy-cached", with_copy(CopyState.CACHED)),
    "copy differs": ("copy-differs", with_copy(CopyState.DIFFERS)),
    "copy unreadable": ("copy-unreadable", with_copy(CopyState.UNREADABLE)),
    "copy failed": ("copy-failed", with_copy(CopyState.FAILED)),
    "copy changed": ("copy-changed", with_copy(CopyState.CHANGED)),
    "copy not read": ("copy-not-read", with_copy(CopyState.WRITTEN)),
    "copy not its own": ("copy-not-own", with_copy(CopyState.SHARED)),
    "copy in the trash": ("copy-fleeting", with_copy(CopyState.FLEETING)),
    "copy state of no meaning": ("facts-incomplete", with_copy(77)),
    "one drive": ("too-few-copies", good(drives=good().drives[:1])),
    "no drive": ("too-few-copies", good(drives=())),
    "three asked for": ("too-few-copies", good(policy=Policy(copies_needed=3))),
    "suspect drive": (
        "drive-suspect",
        good(
            drives=(
                drive("a", "disk:8:0"),
                drive("b", "disk:8:16", bytes([1, 4, 1, 1, 0])),
                drive("c", "disk:8:32", bytes([1, 1, 3, 1, 0])),
            )
        ),
    ),
    "ledger not written": ("ledger-not-written", good(is_ledger_written=False)),
    "not as sent": ("sent-differs", good(sent_differs=(Finding("s", "xxh64 differs", CLIP),))),
    "clip unfinished": ("clip-unfinished", good(clip_findings=(clip_finding("clip-unfinished"),))),
    "finding of no meaning": ("unknown-finding", good(clip_findings=(clip_finding("odd"),))),
    "bytes passed off as a clip": (
        "unknown-finding",
        good(clip_findings=(clip_finding("copy-differs"),), decisions=(decision("copy-differs"),)),
    ),
}
"""One thing wrong at a time: the hold's code that must be given, and the facts."""


_TOGETHER = {"suspect drive": ("drive-suspect", "copy-cached")}


def expected(name: str) -> list[str]:
    """Codes of all holds that a bad case must come out with, in their order."""
    return list(_TOGETHER.get(name, BAD[name][:1]))
