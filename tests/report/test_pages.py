"""Pages as text: what they say first, what they never say, what they hold, how they escape."""

import base64
import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from offload.ledger import clearances, clips, drives, inventories, offloads, rolls
from offload.ledger.database import Ledger
from offload.ledger.offloads import State
from offload.ledger.rebuild import FoundRecord, write_back
from offload.report import pages
from offload.report.pages import (
    PAGE_MARK,
    facts_of,
    page_of_day,
    page_of_production,
    page_of_roll,
    rolls_of_production,
)
from offload.report.roll_facts import RollFacts, roll_facts
from offload.report.said import Standing
from offload.values.clips import ClipFinding, Weight
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Policy
from offload.values.inventory import Inventory
from offload.values.verdict import Answer
from tests.report.scene import (
    NOON,
    SECOND,
    RollMade,
    camera_clip,
    held_roll,
    hostile_roll,
    sources,
)

THE_WORDS = "safe to erase"


def facts(ledger: Ledger, roll: int) -> RollFacts:
    return roll_facts(sources(ledger), rolls.get(ledger, roll))


def page(ledger: Ledger, roll: int) -> str:
    made = page_of_roll(facts(ledger, roll), sources(ledger), NOON, "A001.csv")
    assert made.startswith(PAGE_MARK)
    return made.decode("utf-8")


class _Seen(HTMLParser):
    """What an independent reader of HTML makes of a page: elements, attributes, text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        if self.tags[-1:] != ["style"]:
            self.text.append(data)


def words(text: str) -> str:
    return " ".join(" ".join(_Seen(text).text).split())


def test_cleared_roll_says_when_and_permits_nothing(ledger: Ledger) -> None:
    said = words(page(ledger, RollMade().write(ledger)))
    assert "Cleared on Tue 24 Nov 2026, 12:06:08 +0000" in said
    assert "Every byte is on 2 separate drives and was read back from both." in said
    assert "This page is a record of that moment." in said
    assert THE_WORDS not in said.lower()


def test_answer_is_read_before_anything_else(ledger: Ledger) -> None:
    said = words(page(ledger, held_roll().write(ledger)))
    assert said.index("Held on") < said.index("too-few-copies") < said.index("Copies and drives")
    assert "Keep the card." in said


def test_holds_keep_their_order_and_remedies(ledger: Ledger) -> None:
    said = words(page(ledger, held_roll().write(ledger)))
    assert said.index("too-few-copies") < said.index("clip-unfinished")
    assert "other cable, plug it in, then offload copy A002" in said
    assert "A001C003_261124_NF.mov and 1 more" in said


def test_voided_clearance_is_no_clearance(ledger: Ledger) -> None:
    roll = RollMade().write(ledger)
    given = clearances.of_roll(ledger, roll)[0]
    clearances.void(ledger, given.clearance, "the card has two more files", NOON + 900 * SECOND)
    found = facts(ledger, roll)
    assert found.said.standing is Standing.VOID
    said = words(page(ledger, roll))
    assert "the card has two more files. Keep the card." in said
    assert "Cleared on" not in said


def test_verdict_without_signed_statement_is_no_clearance(ledger: Ledger) -> None:
    found = facts(ledger, RollMade(is_signed=False).write(ledger))
    assert found.said.standing is Standing.VOID
    assert found.said.advice.startswith("Keep the card.")


def test_roll_without_verdict_keeps_the_card(ledger: Ledger) -> None:
    found = facts(ledger, RollMade(answer=None).write(ledger))
    assert found.said.standing is Standing.OPEN
    assert found.said.advice.startswith("Keep the card.")


@pytest.mark.parametrize("state", [State.COPYING, State.STOPPED])
def test_newer_run_without_verdict_overrules_clearance(ledger: Ledger, state: State) -> None:
    roll = RollMade().write(ledger)
    before = offloads.of_roll(ledger, roll)[0]
    later = offloads.start(
        ledger,
        offloads.NewOffload(
            key="later",
            card=before.card,
            inventory=before.inventory,
            digest=before.digest,
            policy=Policy(),
            checksums=("xxh128",),
            mounting="boot:77",
            host="cart",
            pid=1,
            started_ns=NOON + 9000 * SECOND,
            roll=roll,
        ),
    )
    offloads.move(ledger, later, state, NOON + 9001 * SECOND)
    found = facts(ledger, roll)
    assert found.said.standing is Standing.OPEN
    assert "An earlier run" in found.said.advice
    assert "ended cleared" in found.said.advice


def test_damaged_verdict_never_breaks_the_page(ledger: Ledger) -> None:
    odd = {"holds": 7, "notices": [None, 3, {"paths": "x"}], "copies": {"a": 1}, "manifest": []}
    said = words(page(ledger, RollMade(answer=Answer.HELD, verdict=odd).write(ledger)))
    assert "Held on" in said


def test_every_clip_has_its_facts(ledger: Ledger) -> None:
    # 537 frames from 13:01:11:00 at base 24: the last is 536 frames on, 22 s and 8 frames later.
    said = words(page(ledger, RollMade().write(ledger)))
    assert "in 13:01:11:00 out 13:01:33:08 0:22.4, 537 frames" in said
    assert "ProRes 422 HQ 3840x2160 24000/1001 (23.976) fps" in said
    assert "1: peak −9.4, RMS −27.2 2: peak −12.0, RMS −31.5 at full scale 2 times" in said
    assert "12 s listened to, in 4 pieces spread over the clip" in said
    assert (
        "copied: proven on shuttle-1, shuttle-2 complete: yes decodes: yes as ordered: yes" in said
    )
    assert "2 channels PCM 48 kHz 24 bit" in said


def test_checksums_are_those_of_the_ledger(ledger: Ledger) -> None:
    made = RollMade()
    said = page(ledger, made.write(ledger))
    for clip in made.clips:
        # The scene's digests are those of the paths; SHA-512 by Python's own library.
        c4 = hashlib.sha512(clip.path).digest()
        found = facts(ledger, 1).clips[made.clips.index(clip)]
        assert dict(found.checksums)["c4"] == _c4(c4)
        assert dict(found.checksums)["xxh128"] in said


def _c4(digest: bytes) -> str:
    # SMPTE ST 2114: base 58, 88 digits after "c4".
    alphabet = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
    number, text = int.from_bytes(digest, "big"), ""
    for _ in range(88):
        number, rest = divmod(number, 58)
        text = alphabet[rest] + text
    return "c4" + text


def test_clip_missing_on_a_drive_says_where_it_is(ledger: Ledger) -> None:
    found = facts(ledger, held_roll().write(ledger))
    copied = [dict(clip.answers)["copied"] for clip in found.clips]
    assert copied == ["proven on shuttle-1, shuttle-2", *["proven on shuttle-1"] * 3]


def test_roll_written_back_from_records_claims_no_reading(ledger: Ledger) -> None:
    roll = RollMade(clips=[]).write(ledger)
    rebuilt = write_back(ledger, _recorded(ledger, roll), NOON)
    clips.keep(ledger, rebuilt, [camera_clip(1)])
    found = facts(ledger, rebuilt)
    assert dict(found.clips[0].answers)["copied"] == "not known"
    assert [line.state for line in found.drives] == ["known from its record alone"]
    assert found.said.advice.startswith("Keep the card.")
    # How its run ended no record says where no clearance lies beside it.
    assert found.said.standing is Standing.OPEN
    assert (found.said.answer, "Held" in found.said.advice) == ("No verdict", False)


def _recorded(ledger: Ledger, like: int) -> FoundRecord:
    entries = Entries([Entry(camera_clip(1).path, Kind.FILE, 1000, NOON)])
    hints = drives.get(ledger, 1).hints
    before = rolls.get(ledger, like)
    return FoundRecord(
        "C001",
        "CC-1111",
        bytes(16),
        before.production,
        before.day,
        NOON,
        Inventory(entries),
        {"xxh128": bytes(16)},
        hints,
        b"/media/shuttle-1/C001",
    )


def test_pictures_are_inside_the_page(ledger: Ledger) -> None:
    roll = RollMade().write(ledger)
    seen = _Seen(page(ledger, roll))
    inside = [value for name, value in seen.attributes if name == "src" and value]
    kept = clips.picture(ledger, roll, camera_clip(1).path)
    assert kept is not None
    assert len(inside) == 4
    assert base64.b64decode(inside[0].removeprefix("data:image/jpeg;base64,")) == kept.jpeg


def test_same_finding_of_many_clips_is_one_line(ledger: Ledger) -> None:
    finding = ClipFinding(
        "brief-codec", "ProRes 422 LT, the brief asks for HQ", weight=Weight.NOTICE
    )
    many = [camera_clip(at, findings=(finding,)) for at in range(1, 41)]
    found = facts(ledger, RollMade(clips=many).write(ledger)).found
    assert len(found) == 1
    assert len(found[0].names) + found[0].more == 40


def test_finding_that_the_verdict_has_is_not_said_twice(ledger: Ledger) -> None:
    found = facts(ledger, held_roll().write(ledger)).found
    assert {point.code for point in found} == {"brief-frame-rate", "sound-silent"}


def test_drive_of_an_earlier_run_is_listed_as_such(ledger: Ledger) -> None:
    roll = RollMade().write(ledger)
    first = offloads.of_roll(ledger, roll)[0]
    later = RollMade(drives=("shuttle-3",), at_ns=NOON + 9000 * SECOND)
    listing = inventories.load(ledger, first.inventory)
    run = later.begin(ledger, first.card, listing, roll)
    later.add_copy(ledger, run, "shuttle-3", [0, 1, 2, 3], 0)
    offloads.end(ledger, run, Answer.HELD, {}, NOON + 9100 * SECOND)
    lines = {line.name: line.counts for line in facts(ledger, roll).drives}
    assert list(lines) == ["shuttle-3", "shuttle-1", "shuttle-2"]
    assert lines["shuttle-1"] == "of an earlier run, not part of this verdict"


def test_hostile_texts_become_no_markup(ledger: Ledger) -> None:
    roll = hostile_roll().write(ledger)
    found = facts(ledger, roll)
    for made in (
        page_of_roll(found, sources(ledger), NOON, f"{found.roll.name}.csv"),
        page_of_day("2026-11-24", [found], sources(ledger), NOON, "day.csv"),
        page_of_production(found.roll.production, [found], sources(ledger), NOON, "p.csv"),
    ):
        text = made.decode("utf-8")
        seen = _Seen(text)
        assert "script" not in seen.tags
        assert not [name for name, _ in seen.attributes if name.startswith("on")]
        assert seen.tags.count("style") == 1
        assert seen.tags.count("img") <= 1
        assert "49" not in words(text).split()
        unseen = [char for char in text if not char.isprintable() and char != "\n"]
        assert unseen == []


def test_policy_names_the_one_style_sheet_by_its_hash(ledger: Ledger) -> None:
    # Content Security Policy Level 3, "hash-source": SHA-256 of the element's text, base 64.
    text = page(ledger, RollMade().write(ledger))
    style = re.search("<style>(.*?)</style>", text, re.S)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:" in text
    assert " style=" not in text


def test_page_is_bounded(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "MOST_CLIPS", 3)
    said = words(page(ledger, RollMade().write(ledger)))
    assert "1 more clip is only in the table beside this page" in said


def test_pictures_are_bounded(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "MOST_PICTURE_BYTES", 10)
    text = page(ledger, RollMade().write(ledger))
    assert "img" not in _Seen(text).tags


def test_day_has_its_totals_and_cards_to_keep(ledger: Ledger) -> None:
    RollMade().write(ledger)
    held_roll().write(ledger)
    RollMade("B001", "QQ-1111", day="2026-11-25", at_ns=NOON + 90_000 * SECOND).write(ledger)
    day = rolls.of_day(ledger, "2026-11-24")[::-1]
    found = facts_of(sources(ledger), day)
    text = page_of_day("2026-11-24", found, sources(ledger), NOON).decode("utf-8")
    said = words(text)
    # By hand: 4 + 3 camera clips of 500 + 37 n frames at 24000/1001, and 60 s of sound.
    frames = sum(500 + 37 * n for n in (1, 2, 3, 4, 1, 2, 3))
    seconds = round(frames * 1001 / 24000 + 60)
    assert "Rolls 2 Clips 8" in said
    assert f"Running time {seconds // 60} min {seconds % 60:02} s" in said
    assert "Keep these cards" in said
    assert said.index("Keep these cards") < said.index("Totals of the day")
    assert "B001" not in text.partition('id="totals"')[2]


def test_production_lists_days_rolls_and_drives(ledger: Ledger) -> None:
    RollMade().write(ledger)
    held_roll().write(ledger)
    RollMade("B001", "QQ-1111", day="2026-11-25", at_ns=NOON + 90_000 * SECOND).write(ledger)
    RollMade("X001", "ZZ-1111", production="Day Ferry").write(ledger)
    found = facts_of(sources(ledger), rolls_of_production(sources(ledger), "Night Ferry"))
    said = words(page_of_production("Night Ferry", found, sources(ledger), NOON).decode("utf-8"))
    assert [each.name for each in found] == ["A001", "A002", "B001"]
    assert "2026-11-24 2 1 8" in said
    assert "2026-11-25 1 0 4" in said
    assert "A001, A002, B001" in said


def test_roll_whose_clips_nobody_looked_at(ledger: Ledger) -> None:
    roll = RollMade(clips=[]).write(ledger)
    assert "No clip of this roll has been looked at yet." in words(page(ledger, roll))


def test_lists_to_check_by_hand_only_for_plain_names(ledger: Ledger) -> None:
    said = words(page(ledger, RollMade().write(ledger)))
    assert "xxhsum -c records/A001/A001.xxh128" in said
    assert "sha512sum -c records/A001/A001.sha512" in said
    odd = replace(RollMade(), name="A001; rm -rf $HOME", code="QQ-1111")
    assert "xxhsum" not in words(page(ledger, odd.write(ledger)))
