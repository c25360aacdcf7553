"""Nested histories and next generations: ASC MHL 1.0, sections 5.3.2, 5.3.3, 5.6 and 6.3."""

import os
from pathlib import Path

import pytest
from lxml import etree

from offload.checksum import digest_of
from offload.errors import RecordError
from offload.record.mhl.custody import Custody, from_within, load_custody, nested_scopes
from offload.record.mhl.generation import add_generations
from offload.record.mhl.naming import read_manifest_name
from offload.record.mhl.read import ManifestReader
from offload.values.paths import join, name
from tests.record.histories import Desk, operation
from tests.record.plain_folder import PlainFolder

SCHEMAS = Path(__file__).parent / "schemas"
SCOPES = [b"", b"M", b"M/Cam/A001", b"M/Cam/A002", b"M/Snd/S001"]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(PlainFolder(tmp_path))


@pytest.fixture
def day(desk: Desk) -> Desk:
    """Histories at Day, Day/M, Day/M/Cam/A001, Day/M/Cam/A002, Day/M/Snd/S001."""
    for scope in SCOPES:
        desk.put({join(scope, b"one.mov"): b"1" + scope, join(scope, b"two.mov"): b"2" + scope})
    files = {scope: [b"one.mov", b"two.mov"] for scope in SCOPES}
    desk.hash(files, folder_formats=("xxh64",))
    return desk


def generations(desk: Desk) -> dict[bytes, int]:
    custody = load_custody(desk.folder, b"", SCOPES)
    return {scope: len(history.generations) for scope, history in custody.histories.items()}


def test_order_is_from_within() -> None:
    assert from_within(SCOPES) == [b"M/Cam/A001", b"M/Cam/A002", b"M/Snd/S001", b"M", b""]
    assert nested_scopes(SCOPES, b"") == [b"M"]
    assert nested_scopes(SCOPES, b"M") == [b"M/Cam/A001", b"M/Cam/A002", b"M/Snd/S001"]


def test_verifying_the_day_adds_to_all_from_within(day: Desk) -> None:
    before = generations(day)
    files = {scope: [b"one.mov", b"two.mov"] for scope in SCOPES}
    added = day.hash(files, folder_formats=("xxh64",), custody=day.custody())
    assert [each.scope for each in added] == from_within(SCOPES)
    after = generations(day)
    assert after == {scope: before[scope] + 1 for scope in SCOPES}
    # Section 6.3: one moment for all names of one operation.
    names = [read_manifest_name(each.name) for each in added]
    assert len({each.started_at for each in names if each}) == 1
    assert [each.folder for each in names if each] == [b"A001", b"A002", b"S001", b"M", b"Day1"]


def test_enclosing_history_refers_to_the_newest_nearest_below(day: Desk) -> None:
    files = {scope: [b"one.mov", b"two.mov"] for scope in SCOPES}
    added = {each.scope: each for each in day.hash(files, custody=day.custody())}
    custody = day.custody()
    for scope, inner in ((b"M", SCOPES[2:]), (b"", [b"M"])):
        references = custody.histories[scope].generations[-1].references
        assert {reference.path: reference.c4 for reference in references} == {
            added[one].path[len(scope) + bool(scope) :]: added[one].c4 for one in inner
        }
    assert custody.faults == ()


def test_operation_on_one_card_never_goes_up(day: Desk) -> None:
    before = generations(day)
    custody = load_custody(day.folder, b"M/Cam/A002")
    added = day.hash({b"M/Cam/A002": [b"one.mov"]}, custody=custody)
    assert [each.scope for each in added] == [b"M/Cam/A002"]
    after = generations(day)
    assert {scope: after[scope] - before[scope] for scope in SCOPES} == {
        **dict.fromkeys(SCOPES, 0),
        b"M/Cam/A002": 1,
    }
    # References further up are simply old now, and no error.
    assert day.custody().faults == ()


def test_all_that_is_written_is_valid(day: Desk) -> None:
    published = etree.XMLSchema(etree.parse(SCHEMAS / "asc-mhl.xsd"))
    chain = etree.XMLSchema(etree.parse(SCHEMAS / "asc-mhl-chain.xsd"))
    seen = 0
    for place, _, names in os.walk(day.folder.path):
        for each in names:
            if each.endswith(b".mhl") or each.endswith(b".xml"):
                document = etree.parse(os.fsdecode(place + b"/" + each))
                schema = chain if each.endswith(b".xml") else published
                assert schema.validate(document), each
                seen += 1
    assert seen == 10


def test_records_go_only_into_the_nearest_history(day: Desk) -> None:
    custody = day.custody()
    assert {record.path for record in custody.histories[b""].current()} == {b"one.mov", b"two.mov"}
    assert custody.scope_of(b"M/Cam/A001/one.mov") == b"M/Cam/A001"
    assert custody.scope_of(b"M/Cam/loose.mov") == b"M"
    assert {path for path, _ in custody.current()} == {
        join(scope, each) for scope in SCOPES for each in (b"one.mov", b"two.mov")
    }
    known = custody.lookup(b"M/Cam/A001/one.mov")
    assert known is not None
    assert known.path == b"one.mov"
    assert known.usable()["xxh64"].hash.digest == digest_of("xxh64", b"1M/Cam/A001")


def test_nested_root_has_no_folder_record_but_counts_above(day: Desk) -> None:
    history = day.history(b"M")
    assert [record.path for record in history.folders()] == [b"Cam", b"Snd"]
    root = history.newest_root
    assert root is not None
    # The same as if everything had been hashed in one history.
    flat = Desk(PlainFolder(day.folder.path + b"/../flat"))
    files = [join(scope, each)[2:] for scope in SCOPES[1:] for each in (b"one.mov", b"two.mov")]
    flat.put({path: day.folder.content(b"M/" + path) for path in files})
    flat.hash({b"": files}, folder_formats=("xxh64",))
    assert flat.history().newest_root == root


def test_old_records_further_out_still_count(desk: Desk) -> None:
    # The day was hashed as one; later the card got a history of its own, with other files.
    desk.put({b"A001/a": b"1", b"A001/b": b"2"})
    desk.hash({b"": [b"A001/a"]})
    desk.hash({b"A001": [b"b"]}, custody=load_custody(desk.folder, b"A001"))
    custody = load_custody(desk.folder, b"", [b"A001"])
    assert custody.lookup(b"A001/a") is not None
    assert {path for path, _ in custody.current()} == {b"A001/a", b"A001/b"}
    # Once the nearer one speaks of the file, it alone does.
    desk.hash({b"A001": [b"a"]}, custody=load_custody(desk.folder, b"A001"))
    custody = load_custody(desk.folder, b"", [b"A001"])
    known = custody.lookup(b"A001/a")
    assert known is not None
    assert known.path == b"a"
    assert [path for path, _ in custody.current()].count(b"A001/a") == 1


def test_card_that_is_referred_to_and_not_there(day: Desk) -> None:
    os.rename(day.folder.path + b"/M/Cam/A002", day.folder.path + b"/gone")
    faults = day.custody().faults
    assert [(fault.code, fault.path) for fault in faults] == [("nested-missing", b"M/Cam/A002")]


def test_reference_to_a_manifest_that_is_another(day: Desk) -> None:
    # A whole history put in place of the other: its own chain is in order.
    os.rename(day.folder.path + b"/M/Cam/A002/ascmhl", day.folder.path + b"/M/Cam/A002/old")
    day.number = 0  # the same moment, so the same name
    day.put({b"M/Cam/A002/one.mov": b"forged"})
    card = load_custody(day.folder, b"M/Cam/A002")
    day.hash({b"M/Cam/A002": [b"one.mov"]}, custody=card, top_name=b"A002")
    faults = day.custody().faults
    assert [fault.code for fault in faults] == ["reference-changed"]


def test_reference_to_a_deeper_history_is_taken(desk: Desk) -> None:
    """Section 5.3.2 does not say which: ours go to the nearest, and any is read."""
    desk.put({b"M/A001/a": b"1", b"M/b": b"2", b"c": b"3"})
    desk.hash({b"M/A001": [b"a"]})
    # There is none at M yet, so the outermost refers to the card itself.
    desk.hash({b"": [b"c"]}, custody=load_custody(desk.folder, b"", [b"M/A001"]))
    desk.hash({b"M": [b"b"]}, custody=load_custody(desk.folder, b"M", [b"M/A001"]))
    desk.hash({b"M/A001": [b"a"]}, custody=load_custody(desk.folder, b"M/A001"))
    custody = desk.custody()
    assert custody.faults == ()
    # Its whole history is read, and not only the manifest that is referred to.
    known = custody.lookup(b"M/A001/a")
    assert known is not None
    assert [sighting.generation.number for sighting in known.sightings] == [1, 2]
    assert {path for path, _ in load_custody(desk.folder, b"", [b"M"]).current()} == {
        b"M/A001/a",
        b"M/b",
        b"c",
    }


def test_reference_to_a_manifest_that_no_chain_has(day: Desk) -> None:
    chain = day.folder.path + b"/M/Cam/A002/ascmhl/"
    (manifest,) = [each for each in os.listdir(chain) if each.endswith(b".mhl")]
    day.hash({b"M/Cam/A002": [b"one.mov"]}, custody=load_custody(day.folder, b"M/Cam/A002"))
    path = b"M/Cam/A002/ascmhl/ascmhl_chain.xml"
    content = day.folder.content(path)
    other = manifest.replace(b"0001_", b"0001_x")
    os.rename(chain + manifest, chain + other)
    day.folder.replace(path, content.replace(manifest, other))
    assert [fault.code for fault in day.custody().faults] == ["reference-missing"]


def test_new_patterns_go_down(day: Desk) -> None:
    # Section 5.3.2; bound patterns are bound anew or dropped.
    files = {scope: [b"one.mov"] for scope in SCOPES}
    patterns = ("*.tmp", "/M/Cam/A001/proxy", "M/notes.txt")
    day.hash(files, custody=day.custody(), patterns=patterns)
    custody = day.custody()
    default = (".DS_Store", "ascmhl/")
    assert custody.histories[b""].patterns == (*default, *patterns)
    assert custody.histories[b"M"].patterns == (*default, "*.tmp", "/Cam/A001/proxy", "/notes.txt")
    assert custody.histories[b"M/Cam/A001"].patterns == (*default, "*.tmp", "/proxy")
    assert custody.histories[b"M/Cam/A002"].patterns == (*default, "*.tmp")
    assert custody.ignores(b"M/Cam/A001/proxy/x")
    assert not custody.ignores(b"M/Cam/A002/proxy/x")


def test_pattern_that_takes_back_stops_before_anything_is_written(desk: Desk) -> None:
    desk.put({b"a": b"1"})
    desk.hash({b"": [b"a"]})
    names = sorted(os.listdir(desk.folder.path + b"/ascmhl"))
    with pytest.raises(RecordError, match="back in"):
        desk.hash({b"": [b"a"]}, patterns=("!a",))
    assert sorted(os.listdir(desk.folder.path + b"/ascmhl")) == names


def test_day_of_cards_gets_its_first_generation(desk: Desk) -> None:
    # Guidelines 2.1: cards keep their histories, the day folder refers to them.
    desk.put({b"A001/a": b"1", b"report.txt": b"ok\n"})
    desk.hash({b"A001": [b"a"]}, folder_formats=("xxh64",))
    custody = load_custody(desk.folder, b"", [b"A001"])
    added = desk.hash(
        {b"": [b"report.txt"], b"A001": [b"a"]}, custody=custody, folder_formats=("xxh64",)
    )
    assert [(each.scope, len(each.chain.entries)) for each in added] == [(b"A001", 2), (b"", 1)]
    assert {record.path for record in desk.history().current()} == {b"report.txt"}


def test_history_with_nothing_to_say_gets_no_generation(desk: Desk) -> None:
    desk.put({b"A001/a": b"1"})
    desk.hash({b"A001": [b"a"]})
    custody = load_custody(desk.folder, b"A001")
    assert add_generations(desk.folder, custody, operation(2), lambda scope: []) == []


def test_enclosing_history_may_consist_of_references(desk: Desk) -> None:
    desk.put({b"A001/a": b"1"})
    desk.hash({b"A001": [b"a"]})
    added = desk.hash({b"": []}, custody=load_custody(desk.folder, b"", [b"A001"]))
    assert [each.scope for each in added] == [b""]
    path = added[0].path
    assert b"<hashes>" not in desk.folder.content(path)
    with desk.folder.open(path) as stream:
        reader = ManifestReader(stream)
        assert list(reader) == []
        assert [reference.path for reference in reader.references] == [
            b"A001/ascmhl/" + name(desk.history(b"A001").chain.entries[0].path)
        ]


def test_partial_run_records_no_folder_hashes(day: Desk) -> None:
    # Guidelines 2.5.3.
    day.hash({b"M": [b"one.mov"]}, custody=load_custody(day.folder, b"M"))
    newest = day.history(b"M").generations[-1]
    assert newest.head.root is None


class Failing(PlainFolder):
    """Fails at one of its writes."""

    def __init__(self, path: bytes, fail_at: int) -> None:
        super().__init__(path)
        self.left = fail_at

    def _count(self) -> None:
        self.left -= 1
        if self.left == 0:
            raise OSError(28, "no space left on device")

    def write_new(self, path, fill):  # type: ignore[no-untyped-def]
        self._count()
        return super().write_new(path, fill)

    def replace(self, path: bytes, content: bytes) -> None:
        self._count()
        super().replace(path, content)


@pytest.mark.parametrize("fail_at", range(1, 11))
def test_failure_at_any_write_leaves_histories_whole(day: Desk, fail_at: int) -> None:
    custody = day.custody()
    folder = Failing(day.folder.path, fail_at)
    day.folder, before = folder, generations(day)

    with pytest.raises(OSError, match="space"):
        day.hash({scope: [b"one.mov"] for scope in SCOPES}, custody=custody)
    folder.left = -1
    after = day.custody()
    assert after.faults == ()
    grown = [scope for scope in from_within(SCOPES) if generations(day)[scope] > before[scope]]
    assert grown == from_within(SCOPES)[: (fail_at - 1) // 2]


def test_nothing_that_is_ignored_gets_a_record(desk: Desk) -> None:
    # Section 5.6.1.2; the caller is told, since such files are in no manifest.
    files = [b"a.mov", b"a.tmp", b"ascmhl/footage.mov"]
    desk.put(dict.fromkeys(files, b"1"))
    (added,) = desk.hash(
        {b"": files}, patterns=("*.tmp",), folder_formats=("xxh64",), empty={b"": [b"x.tmp"]}
    )
    assert added.ignored == (b"a.tmp", b"ascmhl/footage.mov", b"x.tmp")
    assert {record.path for record in desk.history().current()} == {b"a.mov"}
    assert list(desk.history().folders()) == []
    other = Desk(PlainFolder(desk.folder.path + b"/other"))
    other.put({b"a.mov": b"1"})
    (alone,) = other.hash({b"": [b"a.mov"]}, folder_formats=("xxh64",))
    assert alone.root == added.root


def test_manifest_bears_the_roll_and_not_the_folder_of_the_moment(desk: Desk) -> None:
    desk.put({b"A001.incomplete/a": b"1"})
    scope = b"A001.incomplete"
    (added,) = desk.hash({scope: [b"a"]}, custody=Custody(scope, {}), top_name=b"A001")
    assert added.name == b"0001_A001_2024-05-01_080000Z.mhl"
    assert added.path == b"A001.incomplete/ascmhl/" + added.name
