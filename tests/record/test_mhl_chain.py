"""Chains and collections: ASC MHL 1.0, sections 5.4, 5.5, 7 and 8."""

import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from offload.checksum import digest_of
from offload.errors import RecordError
from offload.record.mhl.chain import ChainEntry, chain_bytes, read_chain
from offload.record.mhl.flatten import collection_entries
from tests.record import example

SCHEMA = Path(__file__).parent / "schemas" / "asc-mhl-chain.xsd"
TEXT = example.CHAIN.decode()
ENTRY = TEXT[TEXT.index("  <hashlist") : TEXT.index("</ascmhldirectory>")]
PATH = ENTRY[ENTRY.index("    <path>") : ENTRY.index("    <c4>")]
SECOND = ENTRY.replace('"1"', '"2"').replace("0001_", "0002_")


def with_entries(*entries: str) -> bytes:
    return TEXT.replace(ENTRY, "".join(entries)).encode()


# Sections 7.4 and 8.4, row by row: verdict of the schema, ours for a chain, ours for a collection.
PROBES = [
    ("unchanged", with_entries(ENTRY), True, True, True),
    ("two", with_entries(ENTRY, SECOND), True, True, True),
    ("wrong-order", with_entries(SECOND, ENTRY), True, True, True),
    ("no-number", with_entries(ENTRY.replace(' sequencenr="1"', "")), True, False, True),
    ("number-twice", with_entries(ENTRY, SECOND.replace('"2"', '"1"')), True, False, True),
    ("gap", with_entries(ENTRY, SECOND.replace('"2"', '"3"')), True, False, True),
    ("from-two", with_entries(SECOND), True, False, True),
    ("zero", with_entries(ENTRY.replace('"1"', '"0"')), True, False, True),
    ("no-integer", with_entries(ENTRY.replace('"1"', '"x"')), False, False, True),
    ("no-hashlist", with_entries(), False, False, False),
    (
        "c4-before-path",
        with_entries(ENTRY.replace(PATH, "").replace("  </h", PATH + "  </h")),
        False,
        True,
        True,
    ),
    (
        "namespace-of-manifests",
        with_entries(ENTRY.replace("<hashlist", '<hashlist xmlns="urn:ASC:MHL:v2.0"')),
        False,
        False,
        False,
    ),
    (
        "no-c4",
        with_entries(ENTRY[: ENTRY.index("    <c4>")] + "  </hashlist>\n"),
        False,
        False,
        False,
    ),
    ("no-path", with_entries(ENTRY.replace(PATH, "")), False, False, False),
    ("two-paths", with_entries(ENTRY.replace(PATH, PATH + PATH)), False, False, False),
    ("bad-c4", with_entries(ENTRY.replace("c41mchw", "c40mchw")), True, False, False),
    ("leads-out", with_entries(ENTRY.replace(">0001", ">../0001")), True, False, False),
    ("absolute", with_entries(ENTRY.replace(">0001", ">/0001")), True, False, False),
]


def is_read(content: bytes, is_collection: bool) -> bool:
    try:
        read_chain(io.BytesIO(content), b"chain", is_collection=is_collection)
    except RecordError as error:
        assert error.path == b"chain"
        return False
    return True


@pytest.mark.parametrize(
    ("content", "valid", "as_chain", "as_collection"),
    [row[1:] for row in PROBES],
    ids=[row[0] for row in PROBES],
)
def test_probes_of_a_chain(
    content: bytes, valid: bool, as_chain: bool, as_collection: bool
) -> None:
    schema = etree.XMLSchema(etree.parse(SCHEMA))
    assert schema.validate(etree.fromstring(content).getroottree()) is valid
    assert is_read(content, False) is as_chain
    assert is_read(content, True) is as_collection


def test_order_is_by_number_and_never_by_text() -> None:
    entries = [ENTRY.replace('"1"', f'"{n}"').replace("0001_", f"{n:04}_") for n in range(1, 12)]
    chain = read_chain(io.BytesIO(with_entries(*reversed(entries))))
    assert [entry.number for entry in chain.entries] == list(range(1, 12))
    assert [notice.code for notice in chain.notices] == ["mhl-chain-order"]


def test_c4_that_is_wrapped_as_appendix_f_prints_it() -> None:
    at = TEXT.index("c41mchw") + 40
    wrapped = TEXT[:at].replace("<c4>", "<c4>\n      ") + TEXT[at:].replace("</c4>", "\n    </c4>")
    chain = read_chain(io.BytesIO(wrapped.encode()))
    assert chain.entries == read_chain(io.BytesIO(example.CHAIN)).entries


def test_collection_keeps_repeated_numbers_with_a_notice() -> None:
    # The figure in section 5.5 numbers both of its entries 1.
    content = with_entries(ENTRY, SECOND.replace('"2"', '"1"'))
    collection = read_chain(io.BytesIO(content), is_collection=True)
    assert [entry.number for entry in collection.entries] == [1, 1]
    assert [notice.code for notice in collection.notices] == ["mhl-collection-order"]


def test_collection_is_written_with_running_numbers() -> None:
    found = [(b"A001.mhl", bytes(64)), (b"sub/A002.mhl", digest_of("c4", b"x"))]
    content = chain_bytes(collection_entries(found))
    schema = etree.XMLSchema(etree.parse(SCHEMA))
    assert schema.validate(etree.fromstring(content).getroottree())
    read = read_chain(io.BytesIO(content), is_collection=True)
    assert read.entries == (ChainEntry(1, *found[0]), ChainEntry(2, *found[1]))
    assert read.notices == ()


def test_chain_without_a_manifest_is_never_written() -> None:
    with pytest.raises(ValueError, match="manifest"):
        chain_bytes([])


@pytest.mark.parametrize("flaw", ["bomb", "utf8", "cut"])
def test_hostile_chain_is_refused(flaw: str) -> None:
    content = {
        "bomb": example.CHAIN.replace(b"?>\n", b'?>\n<!DOCTYPE x [<!ENTITY a "b">]>\n', 1),
        "utf8": example.CHAIN.replace(b"0001_A001", b"\xff"),
        "cut": example.CHAIN[:200],
    }[flaw]
    with pytest.raises(RecordError) as caught:
        read_chain(io.BytesIO(content))
    assert caught.value.line > 0


@given(st.binary(max_size=200), st.integers(0, len(example.CHAIN)))
def test_any_bytes_are_read_or_refused(junk: bytes, at: int) -> None:
    for content in (
        junk,
        example.CHAIN[:at] + junk,
        example.CHAIN[:at] + junk + example.CHAIN[at:],
    ):
        is_read(content, False)
        is_read(content, True)
