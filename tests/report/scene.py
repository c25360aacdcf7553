"""A ledger with rolls as a day of "Night Ferry" leaves them; and the same with hostile names."""

import io
from dataclasses import dataclass, field
from datetime import UTC
from fractions import Fraction
from functools import cache
from typing import Any

import av

from offload.checksum import digest_of, digest_text
from offload.jobs.paging import last_timecode
from offload.ledger import cards, clearances, clips, copies, drives, files, inventories, offloads
from offload.ledger import rolls as rolls_of
from offload.ledger.clips import KeptClip
from offload.ledger.database import Ledger
from offload.media.codec_names import codec_text
from offload.media.frame_rate import rate_text
from offload.media.pictures import picture_of
from offload.report.roll_facts import Sources
from offload.report.spelling import Spellings
from offload.values.clips import (
    Answers,
    AsOrdered,
    AudioTrack,
    ClipFacts,
    ClipFinding,
    ClipKind,
    Complete,
    Container,
    StartTimecode,
    Usable,
    Weight,
)
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import CardState, CopyState, Policy, ReadBack
from offload.values.inventory import Inventory
from offload.values.paths import shown
from offload.values.probed import ChannelLevels, Picture, Probed, SoundLevels
from offload.values.verdict import Answer

SECOND = 10**9
NOON = 1_795_521_128 * SECOND
"""Tue 24 Nov 2026, 11:52:08 UTC."""
FILM = Fraction(24000, 1001)
SPELLINGS = Spellings(codec_text, rate_text, last_timecode, digest_text)


def sources(ledger: Ledger) -> Sources:
    return Sources(ledger, SPELLINGS, UTC)


@cache
def picture(seed: int = 1) -> Picture:
    """A small JPEG as the worker makes it: a slope, so that it is seen on the page."""
    frame = av.VideoFrame(320, 180, "yuv420p")
    for number, plane in enumerate(frame.planes):
        row = bytes((40 + (at * (seed + 2) + number * 60) % 170) for at in range(plane.line_size))
        plane.update((row * (plane.buffer_size // plane.line_size + 1))[: plane.buffer_size])
    made = picture_of(frame)
    assert made is not None
    return made


def camera_clip(number: int, **changes: Any) -> KeptClip:
    """A clip of a camera with two channels of scratch sound."""
    frames = 500 + 37 * number
    facts = ClipFacts(
        Container.MOV,
        "prores",
        "apch",
        "HQ",
        3840,
        2160,
        FILM,
        frames,
        frames / FILM,
        StartTimecode(f"13:{number:02}:11:00", False),
        "A001",
        audio=(AudioTrack("pcm_s24le", 2, 48_000, 24, frames / FILM),),
    )
    levels = (ChannelLevels(-9.4, -27.2), ChannelLevels(-12.0, -31.5, clipped=2))
    sound = SoundLevels(changes.pop("levels", levels), Fraction(12), 4, False)
    answers = Answers(complete=Complete.YES, usable=Usable.YES, as_ordered=AsOrdered.YES)
    return KeptClip(
        changes.pop("path", b"A001/A001C%03d_261124_NF.mov" % number),
        changes.pop("kind", ClipKind.FILE),
        changes.pop("files", 1),
        changes.pop("size", 1_950_000_000 + number * 7_000_000),
        changes.pop("answers", answers),
        Probed(changes.pop("facts", facts), Usable.YES, (), sound, picture(number)),
        changes.pop("findings", ()),
    )


@dataclass
class RollMade:
    """A roll and how its card was judged."""

    name: str = "A001"
    code: str = "K7-4M2P"
    clips: list[KeptClip] = field(default_factory=lambda: [camera_clip(at) for at in range(1, 5)])
    answer: Answer | None = Answer.CLEARED
    is_signed: bool = True
    production: str = "Night Ferry"
    day: str = "2026-11-24"
    drives: tuple[str, ...] = ("shuttle-1", "shuttle-2")
    missing_on_last: int = 0
    at_ns: int = NOON
    label: str = "UNTITLED"
    verdict: dict[str, Any] = field(default_factory=dict)

    def write(self, ledger: Ledger) -> int:
        """Put it into the ledger; returns the roll's number."""
        card = cards.add(ledger, cards.CardHints("", self.label, 0, "exfat"), self.at_ns)
        entries = Entries(Entry(c.path, Kind.FILE, c.total_bytes, self.at_ns) for c in self.clips)
        listing = Inventory(entries)
        cards.tell_listing(ledger, card, listing.digest, self.at_ns)
        cards.tell_code(ledger, card, self.code)
        new = rolls_of.NewRoll(
            self.name, card, self.code, bytes(16), self.production, self.day, self.at_ns
        )
        roll = rolls_of.add(ledger, new)
        clips.keep(ledger, roll, self.clips)
        run = self.begin(ledger, card, listing, roll)
        numbers = list(range(len(entries)))
        names = [entry.path for entry in entries]
        digests = {
            kind: b"".join(digest_of(kind, path) for path in names) for kind in ("xxh128", "c4")
        }
        files.add(ledger, run, numbers, bytes([CardState.READ_EQUAL]) * len(names), digests)
        for at, drive in enumerate(self.drives):
            is_short = at == len(self.drives) - 1
            self.add_copy(ledger, run, drive, numbers, self.missing_on_last if is_short else 0)
        if self.answer is not None:
            ended = self.at_ns + 840 * SECOND
            offloads.end(ledger, run, self.answer, {**self._verdict(), **self.verdict}, ended)
            if self.answer is Answer.CLEARED and self.is_signed:
                c4 = digest_text("c4", digest_of("c4", self.code.encode()))
                headline = str(self._verdict()["headline"])
                given = clearances.NewClearance(
                    run, card, roll, listing.digest, c4, "SHA256:abc", "boot:41", headline, ended
                )
                clearances.add(ledger, given)
        return roll

    def begin(self, ledger: Ledger, card: int, listing: Inventory, roll: int) -> int:
        new = offloads.NewOffload(
            key=f"key-{self.name}",
            card=card,
            inventory=inventories.keep(ledger, listing),
            digest=listing.digest,
            policy=Policy(),
            checksums=("xxh128", "c4"),
            mounting="boot:41",
            host="cart",
            pid=4711,
            started_ns=self.at_ns,
            roll=roll,
        )
        return offloads.start(ledger, new)

    def add_copy(
        self, ledger: Ledger, run: int, drive: str, numbers: list[int], missing: int
    ) -> None:
        folder = b"/media/" + drive.encode("utf-8", "surrogateescape") + b"/Night Ferry/A001"
        hints = drives.DriveHints(
            drive, "5f1c-2a", "m", folder, "exfat", frozenset({drive}), 2 * 10**12, 1_214 * 10**9
        )
        number = drives.use(ledger, hints, self.at_ns)
        copy = copies.start(
            ledger, copies.NewCopy(run, number, folder, frozenset({drive}), "boot:42", self.at_ns)
        )
        proven = len(numbers) - missing
        states = bytes([CopyState.PROVEN_DEVICE]) * proven + bytes([CopyState.ABSENT]) * missing
        facts = [(1, at, 1, 1, 1) for at in numbers]
        copies.add_files(ledger, copy, numbers, states, facts)
        stage = copies.Stage.DROPPED if missing else copies.Stage.PROVEN
        failure = "stopped answering (input/output error (EIO))" if missing else ""
        result = copies.CopyResult(stage, folder, ReadBack.DEVICE, proven, 10**9, failure)
        copies.tell(ledger, copy, result, self.at_ns + 800 * SECOND)

    def _verdict(self) -> dict[str, Any]:
        count = len(self.clips)
        is_cleared = self.answer is Answer.CLEARED
        return {
            "verdict": "cleared" if is_cleared else "held",
            "headline": "Every byte is on 2 separate drives and was read back from both."
            if is_cleared
            else "2 reasons, in the order to mend them. 1 of 4 files is on 2 drives.",
            "declarations": [],
            "settled": [],
            "holds": [] if is_cleared else _HOLDS,
            "notices": [
                {
                    "code": "roll-number-skipped",
                    "text": "no roll A000 is in the ledger",
                    "paths": [],
                    "path_count": 0,
                    "drives": [],
                }
            ],
            "copies": [
                {
                    "drive": shown(drive),
                    "path": f"/media/{drive}/Night Ferry/A001",
                    "verified": count - (self.missing_on_last if at else 0),
                    "files": count,
                    "read_back": "device",
                    "counts": not (self.missing_on_last and at),
                    "why_not": "files are missing there" if self.missing_on_last and at else "",
                    "names_read": True,
                }
                for at, drive in enumerate(self.drives)
            ],
            "manifest": {
                drive: {
                    "path": f"/media/{drive}/Night Ferry/A001/ascmhl/{_MANIFEST}",
                    "c4": digest_text("c4", digest_of("c4", drive.encode("utf-8", "replace"))),
                }
                for drive in self.drives
            },
        }


_MANIFEST = "0001_A001_2026-11-24_115208Z.mhl"
_HOLDS = [
    {
        "code": "too-few-copies",
        "text": "3 files are on one drive only.",
        "remedy": "other cable, plug it in, then   offload copy A002",
        "settleable": False,
        "paths": ["A001C002_261124_NF.mov", "A001C003_261124_NF.mov"],
        "path_count": 3,
        "drives": ["shuttle-2"],
        "details": ["shuttle-2 stopped answering at 02:04 (input/output error)"],
    },
    {
        "code": "clip-unfinished",
        "text": "A001C003_261124_NF.mov was never closed by the camera.",
        "remedy": "let the camera close it, bring the card back, or   offload settle A002 ...",
        "settleable": True,
        "paths": ["A001C003_261124_NF.mov"],
        "path_count": 1,
        "drives": [],
        "details": [],
    },
]


def held_roll() -> RollMade:
    """A roll whose second drive failed, with an unfinished clip and a silent channel."""
    unfinished = (
        ClipFinding("clip-unfinished", "no index: never closed by the camera", check="index"),
        ClipFinding("sound-silent", "channel 2 is silent", weight=Weight.NOTICE, check="sound"),
    )
    silent = (ChannelLevels(-9.4, -27.2), ChannelLevels(None, None))
    broken = camera_clip(
        3,
        findings=unfinished,
        levels=silent,
        answers=Answers(complete=Complete.NO, usable=Usable.UNKNOWN, as_ordered=AsOrdered.NO),
    )
    wrong_rate = tuple(
        camera_clip(
            at,
            findings=(
                ClipFinding(
                    "brief-frame-rate",
                    "recorded at 25, the brief asks for 24000/1001 (23.976)",
                    weight=Weight.NOTICE,
                ),
            ),
        )
        for at in (1, 2)
    )
    wave = KeptClip(
        b"SOUND/A002_T01.wav",
        ClipKind.FILE,
        1,
        34_560_044,
        Answers(complete=Complete.YES, usable=Usable.YES),
        Probed(
            ClipFacts(
                Container.WAV,
                duration=Fraction(60),
                audio=(AudioTrack("pcm_s24le", 4, 48_000, 24, Fraction(60)),),
                time_reference=47_531 * 48_000,
            ),
            sound=SoundLevels(
                (
                    *(ChannelLevels(-6.0 - at, -20.0 - at) for at in range(3)),
                    ChannelLevels(-6.0, -20.0, copy_of=1),
                ),
                Fraction(60),
                1,
                True,
            ),
        ),
    )
    return RollMade(
        "A002",
        "M3-9QXT",
        [*wrong_rate, broken, wave],
        Answer.HELD,
        missing_on_last=3,
        at_ns=NOON + 3600 * SECOND,
    )


HOSTILE = '"><script>document.title="owned"</script><img src=x onerror=document.title="owned">'


def hostile_roll() -> RollMade:
    """Every text that comes from outside tries to become markup or to move the cursor."""
    nasty = HOSTILE + "\n\x1b[2J\u202e{{ 7*7 }}</style>'--><!--"
    bare = HOSTILE.replace("/", "\\")
    path = nasty.replace("/", "").encode() + b"\xff.mov"
    facts = ClipFacts(
        Container.MOV,
        nasty,
        nasty,
        nasty,
        1920,
        1080,
        FILM,
        100,
        Fraction(4),
        StartTimecode(nasty, False),
        nasty,
        audio=(AudioTrack(nasty, 0, 0, 0),),
    )
    finding = ClipFinding("clip-damaged", nasty, path)
    verdict = {
        "headline": nasty,
        "declarations": [nasty],
        "settled": [nasty],
        "holds": [
            {"code": nasty, "text": nasty, "remedy": nasty, "paths": [nasty], "details": [nasty]}
        ],
        "notices": [{"code": nasty, "text": nasty, "paths": [nasty], "path_count": 10**9}, 7],
        "copies": [{"drive": nasty, "path": nasty, "why_not": nasty, "files": "x"}, None],
        "manifest": {nasty: {"path": nasty, "c4": nasty}},
    }
    return RollMade(
        nasty,
        bare,
        [camera_clip(1, path=path, facts=facts, findings=(finding,))],
        Answer.HELD,
        production=nasty,
        drives=(nasty, "=1+1\udcff"),
        label=nasty,
        verdict=verdict,
        at_ns=NOON + 7200 * SECOND,
    )


def jpeg_size(jpeg: bytes) -> tuple[int, int]:
    """Width and height as an independent decoder reads them."""
    with av.open(io.BytesIO(jpeg), format="mjpeg") as opened:
        stream = opened.streams.video[0]
        return stream.width, stream.height
