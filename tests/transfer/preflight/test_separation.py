"""Card and drives apart from each other: what stops, what drops a drive, what will be held."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.clearance.counting import Separation, exclusion
from offload.transfer.preflight.existing import Existing, Use
from offload.transfer.preflight.identity import about_drive, below, is_bare_mount_place
from offload.transfer.preflight.problems import Consequence
from offload.transfer.preflight.proposal import Proposal, ProposedCard, ProposedDrive
from offload.transfer.preflight.separation import (
    about_card,
    about_counting,
    about_number,
    about_place,
    about_same_folders,
    about_shared_devices,
    separate_count,
)
from offload.values.entries import Entries
from offload.values.facts import DriveFacts, Facts, Policy
from offload.values.inventory import Inventory

CARD = ProposedCard(
    b"/media/u/A001",
    Entries(),
    lineage=((50, 1), (1, 9), (1, 2)),
    device=50,
    volume_id="1234-ABCD",
    devices=frozenset({"disk:8:16"}),
)
ONE = ProposedDrive(
    "shuttle-1",
    b"/media/u/shuttle-1",
    b"Night Ferry/A001",
    lineage=((60, 1), (1, 9), (1, 2)),
    device=60,
    volume_id="one",
    devices=frozenset({"disk:8:32"}),
)
TWO = replace(
    ONE,
    name="shuttle-2",
    path=b"/media/u/shuttle-2",
    lineage=((70, 1), (1, 9), (1, 2)),
    device=70,
    volume_id="two",
    devices=frozenset({"disk:8:48"}),
)
USUAL = Policy()


def codes(problems: object) -> list[tuple[str, str]]:
    return [(each.kind.value, each.code) for each in problems]  # type: ignore[attr-defined]


def test_ordinary_set_up_has_no_problem() -> None:
    assert not list(about_place(CARD, ONE))
    assert not list(about_drive(ONE))
    assert not list(about_counting(CARD, ONE, USUAL))
    assert not list(about_same_folders([ONE, TWO]))
    assert not list(about_shared_devices([ONE, TWO], USUAL))
    assert not list(about_number(CARD, [ONE, TWO], USUAL))


@pytest.mark.parametrize(
    "change",
    [
        {"path": b"/media/u/A001"},
        {"path": b"/media/u/A001/DCIM"},
        {"path": b"/elsewhere", "lineage": ((50, 77), (50, 1), (1, 9))},  # a link led there
        {"path": b"/bind", "lineage": ((50, 77), (1, 2)), "device": 50},  # a bind mount did
        {"path": b"/subvolume", "device": 51, "volume_id": "1234-ABCD", "devices": CARD.devices},
    ],
    ids=["itself", "below", "link", "bind", "subvolume"],
)
def test_drive_on_the_card_stops_the_run(change: dict[str, object]) -> None:
    drive = replace(ONE, **change)  # type: ignore[arg-type]
    assert codes(about_place(CARD, drive)) == [("stop", "drive-inside-card")]


def test_clone_of_a_volume_is_not_the_card() -> None:
    assert not list(about_place(CARD, replace(ONE, volume_id=CARD.volume_id)))


FOLDER_CARD = replace(
    CARD,
    path=b"/data/cards/A001",
    lineage=((1, 300), (1, 200), (1, 100), (1, 2)),
    device=1,
    is_whole_volume=False,
)


@pytest.mark.parametrize("path", [b"/data", b"/data/cards", b"/"])
def test_folder_card_inside_the_drives_folder_stops_the_run(path: bytes) -> None:
    drive = replace(ONE, path=path, lineage=((1, 100), (1, 2)), device=1)
    assert codes(about_place(FOLDER_CARD, drive)) == [("stop", "card-inside-drive")]


def test_card_mounted_below_a_drive_does_not_meet_the_copy() -> None:
    root = replace(ONE, path=b"/", lineage=((1, 2),), device=1)
    assert not list(about_place(CARD, root))
    meets = replace(root, path=b"/media", folder=b"u/A001")
    assert codes(about_place(CARD, meets)) == [("stop", "card-inside-drive")]


def test_name_that_begins_alike_is_not_inside() -> None:
    drive = replace(FOLDER_DRIVE, path=b"/data/cards/A001-backup", lineage=((1, 301), (1, 200)))
    assert not list(about_place(FOLDER_CARD, drive))


FOLDER_DRIVE = replace(ONE, path=b"/data/copies", lineage=((1, 400), (1, 100), (1, 2)), device=1)


def test_folder_card_beside_the_drive_is_held_later() -> None:
    card = replace(FOLDER_CARD, devices=ONE.devices)
    assert not list(about_place(card, FOLDER_DRIVE))
    assert codes(about_counting(card, FOLDER_DRIVE, USUAL)) == [("held-later", "shared-drive")]
    declared = Policy(separate_drives=False)
    assert not list(about_counting(card, FOLDER_DRIVE, declared))


@pytest.mark.parametrize(
    ("path", "lineage"),
    [(b"/media/u/shuttle-1/", TWO.lineage), (b"/mnt/alias", ONE.lineage)],
    ids=["path", "identity"],
)
def test_same_folder_twice_drops_the_second(
    path: bytes, lineage: tuple[tuple[int, int], ...]
) -> None:
    twin = replace(TWO, path=path, lineage=lineage)
    [problem] = about_same_folders([ONE, twin])
    assert (problem.kind, problem.code, problem.drive) == (
        Consequence.DROP_DRIVE,
        "same-folder",
        "shuttle-2",
    )


def test_shared_device_is_held_later_unless_declared() -> None:
    twin = replace(TWO, devices=ONE.devices)
    assert codes(about_shared_devices([ONE, twin], USUAL)) == [("held-later", "shared-drive")]
    assert not list(about_shared_devices([ONE, twin], Policy(separate_drives=False)))
    # A declaration cannot make two of one disk; of one enclosure it can.
    declared = Policy(declared_separate=frozenset({frozenset({"shuttle-1", "shuttle-2"})}))
    assert list(about_shared_devices([ONE, twin], declared))
    box = frozenset({"usb:1-2"})
    pair = [replace(drive, devices=drive.devices | box) for drive in (ONE, TWO)]
    assert list(about_shared_devices(pair, USUAL))
    assert not list(about_shared_devices(pair, declared))


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"devices": CARD.devices}, "drive-on-card"),
        ({"is_ram": True, "devices": frozenset({"memory"})}, "ram-drive"),
        ({"is_known": False}, "drive-unknown"),
        ({"devices": frozenset()}, "drive-unknown"),
        ({"is_network": True}, "server-not-accepted"),
    ],
)
def test_what_will_not_count_is_said_before(change: dict[str, object], code: str) -> None:
    drive = replace(ONE, **change)  # type: ignore[arg-type]
    [problem] = about_counting(CARD, drive, USUAL)
    assert (problem.kind, problem.code) == (Consequence.HELD_LATER, code)
    assert "shuttle-1" in problem.text and problem.remedy
    assert codes(about_number(CARD, [drive, TWO], USUAL)) == [("held-later", "too-few-copies")]


def test_accepted_server_counts() -> None:
    drive = replace(ONE, is_network=True, accepts_server=True)
    assert not list(about_counting(CARD, drive, USUAL))


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"refusal": "no such file or directory (ENOENT)"}, "drive-away"),
        ({"is_read_only": True}, "drive-read-only"),
        ({"is_card": True}, "drive-is-card"),
        ({"has_card_layout": True}, "drive-is-card"),
        ({"path": b"/media/u/x/.Trash-1000"}, "drive-fleeting"),
        ({"folder": b"old.incomplete/A001"}, "drive-fleeting"),
        ({"is_bare_mount_place": True}, "drive-not-mounted"),
        ({"expected_volume_id": "another"}, "drive-not-mounted"),
        ({"expected_volume_id": "one", "volume_id": ""}, "drive-not-mounted"),
        ({"expected_marker": "77", "marker": ""}, "drive-not-mounted"),
        ({"expected_marker": "77", "marker": "78"}, "drive-not-mounted"),
    ],
)
def test_unfit_drive_is_dropped(change: dict[str, object], code: str) -> None:
    drive = replace(ONE, **change)  # type: ignore[arg-type]
    [problem] = about_drive(drive)
    assert (problem.kind, problem.code, problem.drive) == (
        Consequence.DROP_DRIVE,
        code,
        "shuttle-1",
    )
    assert problem.remedy


def test_whole_copy_on_a_read_only_drive_can_be_proven() -> None:
    drive = replace(ONE, is_read_only=True, existing=Existing(Use.PROVE, b"\x01"))
    assert not list(about_drive(drive))


def test_folder_taken_into_use_may_lie_where_volumes_appear() -> None:
    drive = replace(ONE, is_bare_mount_place=True, marker="77", expected_marker="77")
    assert not list(about_drive(drive))


PLACES = (b"/media", b"/run/media", b"/mnt")


@pytest.mark.parametrize(
    ("path", "mount_point", "is_bare"),
    [
        (b"/media/u/shuttle-1", b"/", True),
        (b"/media/u/shuttle-1/footage/2026", b"/", True),
        (b"/mnt", b"/", True),
        (b"/media/u/shuttle-1", b"/media/u/shuttle-1", False),
        (b"/media/u/shuttle-1/footage", b"/media/u/shuttle-1", False),
        (b"/srv/footage", b"/", False),
        (b"/mediastore/x", b"/", False),
        (b"/mnt", b"/mnt", False),
        (b"/mnt/x", b"/mnt", False),
    ],
)
def test_empty_folder_where_a_volume_should_be(
    path: bytes, mount_point: bytes, is_bare: bool
) -> None:
    assert is_bare_mount_place(path, mount_point, PLACES) is is_bare


def test_card_in_use_stops_the_run() -> None:
    proposal = Proposal(replace(CARD, other_run="process 812 on station-1"), (ONE,))
    [problem] = about_card(proposal)
    assert problem.kind is Consequence.STOP
    assert "process 812" in problem.text


def test_no_drive_left_stops_the_run() -> None:
    assert codes(about_number(CARD, [], USUAL)) == [("stop", "no-drive")]


@pytest.mark.parametrize("needed", [1, 2, 3])
def test_too_few_drives_are_said_before(needed: int) -> None:
    found = codes(about_number(CARD, [ONE, TWO], Policy(copies_needed=needed)))
    assert found == ([("held-later", "too-few-copies")] if needed == 3 else [])


def test_names_are_shown_harmless() -> None:
    evil = replace(ONE, name="a\x1b[2J", refusal="b\x07", is_read_only=True)
    for problem in [*about_drive(evil), *about_drive(replace(evil, refusal=""))]:
        assert "\x1b" not in problem.text and "\x07" not in problem.text


@pytest.mark.parametrize(
    ("path", "folder", "rest"),
    [
        (b"/a/b", b"/a", b"b"),
        (b"/a/b/", b"/a/", b"b"),
        (b"/a", b"/a", b""),
        (b"/ab", b"/a", None),
        (b"/a", b"/", b"a"),
        (b"/a", b"", None),
    ],
)
def test_rest_of_a_path(path: bytes, folder: bytes, rest: bytes | None) -> None:
    assert below(path, folder) == rest


# --- foretold and judged by the same rules

DEVICES = st.sampled_from(["disk:1", "disk:2", "disk:3", "usb:4", "server:5", "memory"])


@st.composite
def proposed(draw: st.DrawFn) -> tuple[ProposedDrive, ...]:
    count = draw(st.integers(0, 5))
    return tuple(
        ProposedDrive(
            f"d{at}",
            b"/d%d" % draw(st.integers(0, 5)),
            b"A001",
            devices=draw(st.frozensets(DEVICES, max_size=3)),
            is_known=draw(st.booleans()),
            is_ram=draw(st.booleans()) and draw(st.booleans()),
        )
        for at in range(count)
    )


POLICIES = st.builds(
    Policy,
    separate_drives=st.booleans(),
    declared_separate=st.frozensets(
        st.frozensets(st.sampled_from(["d0", "d1", "d2", "d3"]), min_size=2, max_size=2), max_size=3
    ),
)


@settings(max_examples=400, deadline=None)
@given(proposed(), POLICIES, st.booleans())
def test_foretold_number_of_copies_is_the_one_that_counts(
    drives: tuple[ProposedDrive, ...], policy: Policy, is_whole: bool
) -> None:
    card = replace(CARD, devices=frozenset({"disk:1"}), is_whole_volume=is_whole)
    names = {drive.name for drive in drives}
    fitting = frozenset(pair for pair in policy.declared_separate if pair <= names)
    policy = replace(policy, declared_separate=fitting)
    facts = Facts(
        Inventory(Entries()),
        b"",
        tuple(
            DriveFacts(
                drive.name,
                drive.path,
                drive.devices,
                b"",
                is_known=drive.is_known,
                is_ram=drive.is_ram,
                is_card=False,
                is_on_card=bool(drive.devices & card.devices),
            )
            for drive in drives
        ),
        policy,
        is_folder_card=not is_whole,
    )
    judged = [exclusion(each, facts) for each in facts.drives]
    foretold = [{each.code for each in about_counting(card, drive, policy)} for drive in drives]
    for code, said in zip(judged, foretold, strict=True):
        assert code in said if code else not said
    mask = sum(1 << at for at, code in enumerate(judged) if not code)
    left = [drive for drive, code in zip(drives, judged, strict=True) if not code]
    assert separate_count(left, policy) == Separation(facts.drives, policy).copies(mask)
