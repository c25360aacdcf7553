"""Receipts: the root hash read out on the telephone (ASC MHL guidelines 2.5.4)."""

import pytest

from offload.record.mhl.model import RootHash
from offload.record.mhl.tree import tree_root
from offload.record.receipt import ReceiptOutcome, match_receipt, receipt_text
from tests.record import example

ROOT = tree_root(example.items("xxh128"), ["xxh128"])
# The worked example's content root.
TEXT = "d211 8695 ad45 4a22 7b38 3032 6c08 b3bd"


def test_receipt_of_the_worked_example() -> None:
    assert receipt_text(ROOT) == TEXT


@pytest.mark.parametrize(
    "text", [TEXT, TEXT.upper(), TEXT.replace(" ", ""), TEXT.replace(" ", "-"), f" {TEXT}\n"]
)
def test_receipt_as_people_type_it(text: str) -> None:
    assert match_receipt(text, ROOT).outcome is ReceiptOutcome.EQUAL


def test_receipt_that_differs_says_where() -> None:
    match = match_receipt(TEXT.replace("ad45", "ad54"), ROOT)
    assert (match.outcome, match.groups) == (ReceiptOutcome.DIFFERS, (3,))


@pytest.mark.parametrize("text", ["", "d211", TEXT + " 0", TEXT.replace("d", "g"), "٠" * 32])
def test_receipt_that_is_none(text: str) -> None:
    assert match_receipt(text, ROOT).outcome is ReceiptOutcome.MALFORMED


def test_nothing_to_compare_with() -> None:
    other = tree_root(example.items("md5"), ["md5"])
    for root in (None, other, RootHash((), ())):
        assert receipt_text(root) is None
        assert match_receipt(TEXT, root).outcome is ReceiptOutcome.NOTHING_TO_COMPARE
