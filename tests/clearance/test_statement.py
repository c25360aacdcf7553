"""The clearance as a document: its schema, its one form, and what it never says."""

import contextlib
import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from importlib.resources import files
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from offload.checksum import c4_id
from offload.clearance import decide
from offload.clearance.origin import CopyName, ManifestName
from offload.clearance.statement import (
    CardName,
    Occasion,
    StatedRoll,
    StatedRollCopy,
    Statement,
    statement_of,
)
from offload.clearance.statement_json import from_bytes, to_bytes
from offload.clearance.taken import StatementError
from offload.values.entries import Entries, Entry, Kind
from offload.values.facts import Facts, Policy, ReadBack
from offload.values.findings import Finding
from offload.values.inventory import Inventory, inventory_digest
from tests.clearance.cases import BAD, CLIP, ENTRIES, GOOD, good

SCHEMA = json.loads(files("offload.clearance").joinpath("clearance.schema.json").read_bytes())
NIGHT = timezone(timedelta(hours=1))
C4 = c4_id(hashlib.sha512(b"").digest())


def occasion(**changes: Any) -> Occasion:
    made = Occasion(
        roll="A001",
        code="K7-4M2P",
        production="Night Ferry",
        card=CardName("UNTITLED", "5F1C-00A2", "exfat", 128_000_000_000, "421", "9d1c"),
        content={"xxh128": "0" * 32, "c4": C4},
        manifests={
            name: ManifestName(b"ascmhl/0001_A001.mhl", C4) for name in ("shuttle-1", "shuttle-2")
        },
        paths={"shuttle-1": b"Night Ferry/2026-11-24/A001"},
        started=datetime(2026, 11, 24, 14, 22, tzinfo=NIGHT),
        proven=datetime(2026, 11, 24, 14, 32, 7, 999_999, tzinfo=NIGHT),
        written=datetime(2026, 11, 24, 14, 32, 8, tzinfo=NIGHT),
        version="0.1.0",
        key="ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIDemo station-1",
    )
    return replace(made, **changes)


def statement(facts: Facts | None = None, **changes: Any) -> Statement:
    facts = facts or good()
    return statement_of(facts, decide(facts), occasion(**changes))


def document(facts: Facts | None = None, **changes: Any) -> Any:
    return json.loads(to_bytes(statement(facts, **changes)))


@pytest.mark.parametrize("name", GOOD)
def test_every_clearance_fits_the_schema_and_reads_back(name: str) -> None:
    manifests = dict.fromkeys(
        (drive.name for drive in GOOD[name].drives), ManifestName(b"ascmhl/0001.mhl", C4)
    )
    made = statement(GOOD[name], manifests=manifests)
    data = to_bytes(made)
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(data))
    assert from_bytes(data) == made


def test_schema_is_a_schema_and_describes_all() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)

    def undescribed(part: Any, where: str) -> list[str]:
        found = []
        for name, each in part.get("properties", {}).items():
            if not each.get("description"):
                found.append(f"{where}.{name}")
            found += undescribed(each, f"{where}.{name}") + undescribed(
                each.get("items", {}), f"{where}.{name}[]"
            )
        return found

    assert undescribed(SCHEMA, "") == []


def test_document_says_what_it_rests_on() -> None:
    found = document()
    assert found["answer"] == "cleared"
    assert found["headline"] == "Every byte is on 2 separate drives and was read back from both."
    assert found["card"]["mount_id"] == "421"
    assert found["inventory"]["digest"] == inventory_digest(Entries(ENTRIES))
    assert found["inventory"]["files"] == 3
    assert found["inventory"]["folders"] == 1
    assert found["inventory"]["links"] == 1
    assert found["inventory"]["total_bytes"] == 1710
    assert found["policy"]["card_reads"] == 2
    assert [copy["drive"] for copy in found["copies"]] == ["shuttle-1", "shuttle-2"]
    assert found["copies"][0]["devices"] == ["disk:8:0"]
    assert found["copies"][0]["manifest"] == {"c4": C4, "path": "ascmhl/0001_A001.mhl"}
    assert found["copies"][0]["path"] == "Night Ferry/2026-11-24/A001"
    assert found["times"] == {
        "proven": "2026-11-24T13:32:07Z",
        "started": "2026-11-24T13:22:00Z",
        "written": "2026-11-24T13:32:08Z",
    }


def test_text_says_how_far_it_reaches() -> None:
    assert document()["text"] == (
        "Card A001, code K7-4M2P, may be erased in camera. This holds only together with the same "
        "file on each of 2 drives: shuttle-1 and shuttle-2. Alone it proves only the copy that it "
        "lies beside."
    )
    one = document(GOOD["one copy asked for, one drive"])
    assert one["text"].endswith("Its only copy is the one on shuttle-1.")


def test_drive_that_does_not_count_is_not_in_it() -> None:
    found = document(GOOD["third drive failed"])
    assert [copy["drive"] for copy in found["copies"]] == ["shuttle-1", "shuttle-2"]
    assert "c," not in found["text"]


@pytest.mark.parametrize("name", BAD)
def test_held_card_has_no_clearance(name: str) -> None:
    facts = BAD[name][1]
    with pytest.raises(RuntimeError):
        statement_of(facts, decide(facts), occasion())


def test_counted_copy_without_manifest_has_no_clearance() -> None:
    with pytest.raises(RuntimeError):
        statement(manifests={"shuttle-1": ManifestName(b"x", C4)})


def test_copy_made_by_hand_needs_no_manifest() -> None:
    drives = tuple(replace(each, is_hand_made=True) for each in good().drives)
    made = statement(good(drives=drives), manifests={})
    assert from_bytes(to_bytes(made)).copies[0].manifest is None


def test_declarations_and_decisions_are_said() -> None:
    facts = replace(GOOD["clip settled"], policy=Policy(card_reads=1))
    found = document(facts)
    assert found["headline"].endswith("the card was read once.")
    assert len(found["declarations"]) == 1
    assert found["decisions"] == [
        {
            "because": "battery died, no take",
            "by": "the wrangler",
            "checksum": "02" * 16,
            "code": "clip-unfinished",
            "path": CLIP.decode(),
        }
    ]


def test_server_is_named_as_what_it_is() -> None:
    found = document(GOOD["server's word accepted"])
    assert [copy["read_back"] for copy in found["copies"]] == ["device", "server"]


def test_lists_are_bounded_and_the_digest_covers_the_rest() -> None:
    left_out = Entries(Entry(b".fseventsd/%05d" % at, Kind.FILE, 2) for at in range(5000))
    notices = tuple(Finding("odd", "odd", b"%05d" % at) for at in range(5000))
    facts = good(inventory=Inventory(Entries(ENTRIES), left_out), notices=notices)
    found = document(facts)
    assert len(found["left_out"]["files"]) == 1000
    assert found["left_out"]["count"] == 5000
    assert found["left_out"]["total_bytes"] == 10_000
    assert found["left_out"]["digest"] == inventory_digest(left_out)
    assert found["notices"][0]["count"] == 5000
    assert len(found["notices"][0]["paths"]) == 20


def test_bytes_are_canonical() -> None:
    data = to_bytes(statement())
    assert data.endswith(b"}\n")
    assert b"\r" not in data
    assert json.dumps(json.loads(data), indent=2, sort_keys=True, ensure_ascii=False) + (
        "\n"
    ) == data.decode("utf-8")


def test_bytes_are_the_same_in_every_zone() -> None:
    times = {
        name: getattr(occasion(), name).astimezone(UTC) for name in ("started", "proven", "written")
    }
    assert to_bytes(statement(**times)) == to_bytes(statement())


HOSTILE = "a\x1b[2J\r\nSAFE\u202e\x85\ud800<script>"


def test_hostile_names_are_harmless_and_reversible() -> None:
    raw = b"\xff\n\x1b" + CLIP
    made = statement(
        roll=HOSTILE,
        production=HOSTILE,
        card=CardName(HOSTILE, HOSTILE, HOSTILE),
        key=HOSTILE,
        manifests=dict.fromkeys(("shuttle-1", "shuttle-2"), ManifestName(raw, C4)),
        paths={"shuttle-1": raw},
    )
    data = to_bytes(made)
    assert not any(byte < 0x20 and byte != 0x0A for byte in data)
    assert "\u202e" not in data.decode("utf-8")
    read = from_bytes(data)
    assert read == made
    assert read.copies[0].manifest == ManifestName(raw, C4)


def _changed(path: str, value: Any) -> bytes:
    found = document()
    *way, last = path.split(".")
    part = found
    for step in way:
        part = part[int(step)] if step.isdigit() else part[step]
    if value is ...:
        del part[last]
    else:
        part[last] = value
    text = json.dumps(found, indent=2, sort_keys=True, ensure_ascii=False)
    return text.encode("utf-8", "surrogatepass") + b"\n"


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("answer", "held"),
        ("answer", ...),
        ("clearance", 2),
        ("clearance", True),
        ("clearance", 1.0),
        ("copies", {}),
        ("copies.0.manifest", None),
        ("copies.0.manifest.c4", "c4"),
        ("copies.0.manifest.path", "a\\q"),
        ("copies.0.read_back", "cached"),
        ("copies.0.names_read", 1),
        ("copies.0.devices", "disk:8:0"),
        ("copies.0.devices", [1]),
        ("copies.0.extra", 1),
        ("copies_counted", 0),
        ("copies_counted", 1.5),
        ("policy.copies_needed", 0),
        ("policy.card_reads", -1),
        ("policy.declared_separate", [["a", "b", "c"]]),
        ("policy.declared_separate", ["a"]),
        ("inventory.digest", "AB" * 32),
        ("inventory.digest", "ab"),
        ("inventory.files", 0),
        ("inventory.total_bytes", 2**64),
        ("content", {}),
        ("content", {"xxh128": 1}),
        ("content", {"xxh128": "0", "No Name": "0"}),
        ("times.written", "2026-11-24T13:32:08"),
        ("times.written", "2026-13-24T13:32:08Z"),
        ("times.written", "2026-11-24T13:32:08+01:00"),
        ("roll", "a\x1bb"),
        ("roll", "a\u202eb"),
        ("roll", "\ud800"),
        ("roll", None),
        ("extra", 1),
        ("tool.name", "other"),
        ("card", []),
        ("card.capacity_bytes", -1),
    ],
)
def test_document_with_one_wrong_value_is_refused(path: str, value: Any) -> None:
    with pytest.raises(StatementError):
        from_bytes(_changed(path, value))


@pytest.mark.parametrize("path", ["copies_counted", "roll", "times", "copies", "card.label"])
def test_document_without_a_part_is_refused(path: str) -> None:
    with pytest.raises(StatementError, match=r"missing|not a"):
        from_bytes(_changed(path, ...))


def test_schema_refuses_what_the_reader_refuses() -> None:
    validator = jsonschema.Draft202012Validator(SCHEMA)
    for path, value in (("answer", "held"), ("extra", 1), ("copies.0.read_back", "cached")):
        assert not validator.is_valid(json.loads(_changed(path, value)))


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda data: b"\xef\xbb\xbf" + data, id="byte order mark"),
        pytest.param(lambda data: data.replace(b"\n", b"\r\n"), id="CRLF"),
        pytest.param(lambda data: data[:-1], id="no newline at the end"),
        pytest.param(lambda data: data + b"\n", id="one more newline"),
        pytest.param(lambda data: data[: len(data) // 2], id="cut"),
        pytest.param(lambda data: data.decode().encode("utf-16"), id="UTF-16"),
        pytest.param(lambda data: json.dumps(json.loads(data)).encode(), id="other spacing"),
        pytest.param(
            lambda data: data.replace(b'"roll": "A001"', b'"roll": "A002",\n  "roll": "A001"'),
            id="a key twice",
        ),
        pytest.param(lambda data: data.replace(b"Night", b"\\u004eight"), id="needless escape"),
        pytest.param(lambda data: b"[" * 200_000, id="deep"),
        pytest.param(lambda data: b"1" * 100_000, id="long number"),
        pytest.param(lambda data: b"", id="empty"),
        pytest.param(lambda data: b"null", id="null"),
        pytest.param(lambda data: b"\xff", id="not UTF-8"),
        pytest.param(lambda data: b" " * ((64 << 20) + 1), id="too large"),
    ],
)
def test_other_bytes_are_refused(change: Any) -> None:
    with pytest.raises(StatementError):
        from_bytes(change(to_bytes(statement())))


def test_every_changed_byte_is_refused_or_means_something_else() -> None:
    made = statement()
    data = to_bytes(made)
    for at in range(len(data)):
        changed = bytearray(data)
        changed[at] ^= 1
        with contextlib.suppress(StatementError):
            assert from_bytes(bytes(changed)) != made


@given(st.binary(max_size=200))
def test_reader_takes_any_bytes(data: bytes) -> None:
    with pytest.raises(StatementError):
        from_bytes(data)


def test_read_back_of_a_copy_is_what_was_found() -> None:
    assert {copy.read_back for copy in from_bytes(to_bytes(statement())).copies} == {
        ReadBack.DEVICE
    }


# --- a recorder's card


def rolls(*files: int, size_bytes: int | None = None) -> tuple[StatedRoll, ...]:
    total = good().inventory.total_bytes if size_bytes is None else size_bytes
    copies = tuple(
        StatedRollCopy(name, "S1", ManifestName(b"ascmhl/0001_S1.mhl", C4))
        for name in ("shuttle-1", "shuttle-2")
    )
    sizes = [total, *[0] * (len(files) - 1)]
    return tuple(
        StatedRoll(f"S1-{at}", "K7-4M2P", (), count, size, 0, copies)
        for at, (count, size) in enumerate(zip(files, sizes, strict=True), 1)
    )


def test_rolls_are_in_form_two() -> None:
    count = good().inventory.file_count
    made = statement(rolls=rolls(count - 1, 1))
    content = to_bytes(made)
    document = json.loads(content)
    jsonschema.validate(document, SCHEMA)
    assert document["clearance"] == 2
    assert from_bytes(content) == made
    assert json.loads(to_bytes(statement()))["clearance"] == 1


@pytest.mark.parametrize("short", [0, 1], ids=["files", "bytes"])
def test_rolls_that_are_not_the_card_state_nothing(short: int) -> None:
    inventory = good().inventory
    found = rolls(inventory.file_count - 1 + short, size_bytes=inventory.total_bytes - short)
    with pytest.raises(RuntimeError, match="together"):
        statement(rolls=found)


def test_roll_missing_on_a_drive_states_nothing() -> None:
    one = rolls(good().inventory.file_count)[0]
    with pytest.raises(RuntimeError, match="record of a roll"):
        statement(rolls=(replace(one, copies=one.copies[:1]),))


SOURCE = CopyName("shuttle-1", "A001", ManifestName(b"ascmhl/0002_A001.mhl", C4), (("c4", C4),))


def test_copy_of_a_copy_says_what_it_descends_from() -> None:
    made = statement(descends_from={"shuttle-2": SOURCE})
    data = to_bytes(made)
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(data))
    assert from_bytes(data) == made
    first, second = json.loads(data)["copies"]
    assert first["descends_from"] == ""
    assert second["descends_from"] == {
        "content": {"c4": C4},
        "drive": "shuttle-1",
        "manifest": {"c4": C4, "path": "ascmhl/0002_A001.mhl"},
        "path": "A001",
    }
    assert made.text.endswith(
        "The copy on shuttle-2 was made from the copy on shuttle-1: A001, ascmhl/0002_A001.mhl."
    )


def test_descent_of_a_drive_that_does_not_count_is_not_in_it() -> None:
    made = statement(descends_from={"shuttle-7": SOURCE})
    assert "was made from" not in made.text


@pytest.mark.parametrize("value", [None, "shuttle-1", {}, {"drive": "shuttle-1"}, [], 0])
def test_descent_in_another_form_is_no_clearance(value: Any) -> None:
    with pytest.raises(StatementError):
        from_bytes(_changed("copies.0.descends_from", value))
