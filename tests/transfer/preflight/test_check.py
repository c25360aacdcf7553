"""All problems at once, each with a remedy, in an order that does not change."""

import os
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.storage.root import Root
from offload.transfer.preflight.check import Preflight, check
from offload.transfer.preflight.existing import Existing, Use
from offload.transfer.preflight.file_systems import FAT_LARGEST, kind_of
from offload.transfer.preflight.lineage import lineage_of
from offload.transfer.preflight.names import EXFAT
from offload.transfer.preflight.probing import probe_names, rules_for
from offload.transfer.preflight.problems import MOST_PATHS, Consequence
from offload.transfer.preflight.proposal import Proposal, ProposedCard, ProposedDrive
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Policy
from tests.lab.images import EXFAT as EXFAT_IMAGE
from tests.lab.images import EXT4, Rack, Volume

MIB = 1 << 20
CLIPS = Entries(Entry(b"A001C%03d.mov" % at, Kind.FILE, 10 * MIB) for at in range(1, 6))
CARD = ProposedCard(
    b"/media/u/A001",
    CLIPS,
    lineage=((50, 1),),
    device=50,
    volume_id="card",
    devices=frozenset({"disk:1"}),
)


def drive(number: int, **more: object) -> ProposedDrive:
    usual: dict[str, object] = {
        "name": f"shuttle-{number}",
        "path": b"/media/u/shuttle-%d" % number,
        "folder": b"Night Ferry/A001",
        "fs_type": "exfat",
        "lineage": ((60 + number, 1),),
        "device": 60 + number,
        "volume_id": f"volume-{number}",
        "devices": frozenset({f"disk:{number + 1}"}),
        "free_bytes": 10**12,
    }
    return ProposedDrive(**{**usual, **more})  # type: ignore[arg-type]


def codes(answer: Preflight) -> list[tuple[str, str, str]]:
    return [(each.kind.value, each.code, each.drive) for each in answer.problems]


def test_ordinary_card_and_drives_pass() -> None:
    answer = check(Proposal(CARD, (drive(1), drive(2))))
    assert not answer.problems and not answer.notices and not answer.is_stopped
    assert [plan.name for plan in answer.plans] == ["shuttle-1", "shuttle-2"]
    assert all(plan.need.content_bytes == 50 * MIB for plan in answer.plans)


def test_all_problems_are_said_together_in_order() -> None:
    entries = Entries(
        [*CLIPS, Entry(b"huge.mov", Kind.FILE, FAT_LARGEST + 1), Entry(b"p", Kind.PIPE)]
    )
    answer = check(
        Proposal(
            replace(CARD, entries=entries, other_run="process 8"),
            (
                drive(1, free_bytes=MIB),
                drive(2, fs_type="vfat"),
                drive(3, is_read_only=True),
                drive(4, refusal="no such file"),
                drive(5, existing=Existing(Use.REFUSE, others=(b"thesis.doc",))),
                drive(6, is_known=False),
                drive(7, path=b"/media/u/A001/DCIM"),
            ),
        )
    )
    assert codes(answer) == [
        ("stop", "card-busy", ""),
        ("stop", "drive-inside-card", "shuttle-7"),
        ("drop-drive", "too-little-room", "shuttle-1"),
        ("drop-drive", "file-too-large", "shuttle-2"),
        ("drop-drive", "drive-read-only", "shuttle-3"),
        ("drop-drive", "drive-away", "shuttle-4"),
        ("drop-drive", "other-material", "shuttle-5"),
        ("held-later", "not-copied", ""),
        ("held-later", "too-few-copies", ""),
        ("held-later", "drive-unknown", "shuttle-6"),
    ]
    assert answer.is_stopped
    assert answer.dropped == {f"shuttle-{at}" for at in range(1, 6)}
    assert all(problem.remedy and problem.text.endswith(".") for problem in answer.problems)


def test_no_drive_left_says_so_beside_the_reasons() -> None:
    answer = check(Proposal(CARD, (drive(1, is_read_only=True),)))
    assert codes(answer) == [
        ("stop", "no-drive", ""),
        ("drop-drive", "drive-read-only", "shuttle-1"),
    ]
    assert codes(check(Proposal(CARD, ()))) == [("stop", "no-drive", "")]


def test_several_drives_that_are_away_are_not_one_folder() -> None:
    away = [drive(at, path=b"", refusal="it is not plugged in", lineage=()) for at in (1, 2)]
    answer = check(Proposal(CARD, (*away, drive(3), drive(4))))
    assert codes(answer) == [
        ("drop-drive", "drive-away", "shuttle-1"),
        ("drop-drive", "drive-away", "shuttle-2"),
    ]


def test_room_says_what_is_missing() -> None:
    answer = check(Proposal(CARD, (drive(1), drive(2), drive(3, free_bytes=30 * MIB))))
    [problem] = answer.problems
    assert problem.code == "too-little-room"
    assert "57." in problem.text and "31.5 MB free" in problem.text


def test_two_folders_on_one_file_system_share_its_room() -> None:
    # 50 MiB each, and room for one of them and a bit.
    pair = (
        drive(1, free_bytes=70 * MIB, device=9),
        drive(2, free_bytes=70 * MIB, device=9, devices=frozenset({"disk:2"})),
    )
    answer = check(Proposal(CARD, pair, Policy(copies_needed=1, separate_drives=False)))
    assert codes(answer) == [("drop-drive", "too-little-room", "shuttle-2")]
    assert "left beside the other copy" in answer.problems[0].text
    enough = tuple(replace(each, free_bytes=120 * MIB) for each in pair)
    answer = check(Proposal(CARD, enough, Policy(copies_needed=2, separate_drives=False)))
    assert not answer.problems


def test_dropped_drive_leaves_its_room_to_the_next() -> None:
    pair = (
        drive(1, free_bytes=70 * MIB, device=9, is_read_only=True),
        drive(2, free_bytes=70 * MIB, device=9),
    )
    answer = check(Proposal(CARD, pair, Policy(copies_needed=1)))
    assert codes(answer) == [("drop-drive", "drive-read-only", "shuttle-1")]


def test_resumed_run_needs_only_what_is_missing() -> None:
    here = Existing(Use.GO_ON, b"\x01\x01\x01\x01\x00")
    answer = check(Proposal(CARD, (drive(1, free_bytes=20 * MIB, existing=here), drive(2))))
    assert not answer.problems


def test_unknown_room_is_not_a_reason() -> None:
    assert not check(Proposal(CARD, (drive(1, free_bytes=None), drive(2)))).problems


def test_too_few_inodes_drop_the_drive() -> None:
    answer = check(Proposal(CARD, (drive(1), drive(2), drive(3, free_inodes=5))))
    assert codes(answer) == [("drop-drive", "too-few-inodes", "shuttle-3")]


def test_largest_file_names_the_clips() -> None:
    large = Entries(Entry(b"C%02d.mov" % at, Kind.FILE, FAT_LARGEST + 1) for at in range(30))
    answer = check(
        Proposal(replace(CARD, entries=large), (drive(1), drive(2), drive(3, fs_type="vfat")))
    )
    [problem] = answer.problems
    assert problem.code == "file-too-large"
    assert problem.paths == tuple(b"C%02d.mov" % at for at in range(MOST_PATHS))
    assert "C00.mov and 29 more" in problem.text


def test_other_name_is_a_notice_and_no_problem() -> None:
    odd = Entries([Entry(b"take 1:2.mov", Kind.FILE, 1), Entry(b"x?.mov", Kind.FILE, 1)])
    answer = check(Proposal(replace(CARD, entries=odd), (drive(1), drive(2, fs_type="ext4"))))
    assert not answer.problems
    [notice] = answer.notices
    assert (notice.code, notice.drive) == ("name-mapped", "shuttle-1")
    assert "2 names are" in notice.text and "take 1%3A2.mov" in notice.text
    assert answer.plans[0].names.on_drive(b"x?.mov") == b"x%3F.mov"
    assert len(answer.plans[1].names) == 0


def test_drive_not_unmounted_cleanly_is_a_notice() -> None:
    answer = check(Proposal(CARD, (drive(1, is_unclean=True), drive(2))))
    assert not answer.problems
    assert [(each.code, each.drive) for each in answer.notices] == [("drive-unclean", "shuttle-1")]


@pytest.mark.parametrize(
    ("entries", "found"),
    [
        ([], ["nothing-to-prove"]),
        ([Entry(b"x", Kind.FOLDER)], ["nothing-to-prove"]),
        ([Entry(b"x", Kind.LINK, note="y")], ["nothing-to-prove"]),
        ([*CLIPS, Entry(b"x", Kind.LINK, note="y")], []),
        ([*CLIPS, Entry(b"x", Kind.SOCKET), Entry(b"y", Kind.DEVICE)], ["not-copied"]),
        ([*CLIPS, Entry(b"x", Kind.UNREADABLE, note="?")], ["not-listed"]),
        ([*CLIPS, Entry(b"x", Kind.MOUNT)], ["inner-mount"]),
    ],
)
def test_what_the_listing_already_says(entries: list[Entry], found: list[str]) -> None:
    answer = check(Proposal(replace(CARD, entries=Entries(entries)), (drive(1), drive(2))))
    assert [each.code for each in answer.problems] == found
    assert all(each.kind is Consequence.HELD_LATER for each in answer.problems)


def test_declaration_about_drives_that_take_no_part_declares_nothing() -> None:
    policy = Policy(declared_separate=frozenset({frozenset({"shuttle-1", "elsewhere"})}))
    answer = check(Proposal(CARD, (drive(1, is_known=False), drive(2)), policy))
    assert ("held-later", "drive-unknown", "shuttle-1") in codes(answer)


CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "is_read_only": st.just(True),
        "free_bytes": st.sampled_from([0, 30 * MIB, 90 * MIB, None]),
        "device": st.sampled_from([7, 8, 50]),
        "devices": st.sampled_from(
            [frozenset[str](), frozenset({"disk:1"}), frozenset({"disk:7"})]
        ),
        "refusal": st.sampled_from(["gone", "a\x1b[2J\u202eb"]),
        "is_ram": st.just(True),
        "is_card": st.just(True),
        "has_card_layout": st.just(True),
        "is_known": st.just(False),
        "name": st.sampled_from(["a\x1b[2J", "b\u202ec", "[bold]d"]),
        "fs_type": st.sampled_from(["vfat", "nfs", "hfsplus", "\x07"]),
        "free_inodes": st.integers(0, 40),
        "expected_marker": st.just("x"),
        "existing": st.sampled_from(
            [
                Existing(Use.REFUSE),
                Existing(Use.PROVE, b"\x01" * 5),
                Existing(Use.ADD, b"\x01" + bytes(4)),
            ]
        ),
    },
)


@settings(max_examples=200, deadline=None)
@given(st.lists(CHANGES, max_size=5))
def test_any_set_of_drives_gets_one_clear_answer(changes: list[dict[str, object]]) -> None:
    drives = []
    for at, change in enumerate(changes, 1):
        name = f"{change.get('name', 'shuttle')}-{at}"
        drives.append(drive(at, **{**change, "name": name}))
    proposal = Proposal(CARD, tuple(drives))
    answer = check(proposal)
    assert answer == check(proposal)
    assert len(set(answer.problems)) == len(answer.problems)
    kinds = [list(Consequence).index(each.kind) for each in answer.problems]
    assert kinds == sorted(kinds)
    names = {each.name for each in drives}
    for problem in answer.problems:
        assert problem.drive == "" or problem.drive in names
        said = problem.text + problem.remedy
        assert all(unicodedata.category(char)[0] != "C" for char in said)
    left = (
        names
        - answer.dropped
        - {each.drive for each in answer.problems if each.kind is Consequence.STOP}
    )
    assert bool(left) or answer.is_stopped


# --- with real file systems


def _proposed(volume: Volume, name: str, **more: object) -> ProposedDrive:
    with Root(os.fsencode(volume.root)) as root:
        told = os.fstatvfs(root.fd)
        seen = probe_names(root)
        return ProposedDrive(
            name,
            root.path,
            b"Night Ferry/A001",
            fs_type=volume.fs.kind,
            rules=rules_for(kind_of(volume.fs.kind), seen),
            lineage=lineage_of(root.fd),
            device=root.device,
            devices=frozenset({f"disk:{name}"}),
            free_bytes=told.f_bavail * told.f_frsize,
            cluster_bytes=told.f_frsize,
            free_inodes=told.f_favail if told.f_files else None,
            **more,  # type: ignore[arg-type]
        )


@pytest.mark.lab
def test_real_drives_are_judged_together(rack: Rack) -> None:
    exfat = rack.volume(EXFAT_IMAGE, make_options=("-c", "1M"))
    ext4 = rack.volume(EXT4)
    card_volume = rack.volume(EXT4)
    many = Entries(
        [Entry(b"C%03d.MOV" % at, Kind.FILE, 10 << 10) for at in range(100)]
        + [Entry(b"c000.mov", Kind.FILE, 5), Entry(b"a:b", Kind.FILE, 5)]
    )
    with Root(os.fsencode(card_volume.root)) as root:
        card = ProposedCard(
            root.path,
            many,
            lineage=lineage_of(root.fd),
            device=root.device,
            devices=frozenset({"disk:card"}),
        )
        on_card = replace(_proposed(card_volume, "on-card"), path=root.path + b"/DCIM")
    answer = check(
        Proposal(card, (_proposed(exfat, "shuttle-1"), _proposed(ext4, "shuttle-2"), on_card))
    )
    assert codes(answer)[:3] == [
        ("stop", "drive-inside-card", "on-card"),
        ("drop-drive", "too-little-room", "shuttle-1"),
        ("held-later", "too-few-copies", ""),
    ]
    assert answer.plans[0].names.on_drive(b"a:b") == b"a%3Ab"
    assert answer.plans[0].names.on_drive(b"c000.mov") == b"%63000.mov"
    assert len(answer.plans[1].names) == 0
    assert os.listdir(exfat.root) == []


@pytest.mark.lab
def test_real_read_only_drive_is_dropped(rack: Rack) -> None:
    volume = rack.volume(EXFAT_IMAGE)
    proposed = _proposed(volume, "shuttle-1")
    volume.remount(read_only=True)
    is_read_only = bool(os.statvfs(volume.root).f_flag & os.ST_RDONLY)
    answer = check(
        Proposal(CARD, (replace(proposed, is_read_only=is_read_only), drive(2), drive(3)))
    )
    assert codes(answer) == [("drop-drive", "drive-read-only", "shuttle-1")]
    assert proposed.rules == EXFAT
