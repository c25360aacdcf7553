"""What was declared and not proven: said again wherever the words are said."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from offload.clearance.case import Case
from offload.clearance.counting import is_declared
from offload.clearance.words import listed
from offload.values.facts import CopyState, DriveFacts


@dataclass(frozen=True, slots=True)
class Declaration:
    """One thing taken on somebody's word.

    Attributes:
        short: a phrase for the headline.
        text: the full sentence.
    """

    short: str
    text: str


def declarations(case: Case) -> Iterator[Declaration]:
    """All that this verdict takes on somebody's word, or leaves out because it was asked to."""
    yield from _about_copies(case)
    yield from _about_the_card(case)
    yield from _about_drives(case)


def _about_copies(case: Case) -> Iterator[Declaration]:
    policy = case.facts.policy
    if case.needed == 1:
        yield Declaration(
            "one copy was asked for",
            "One copy was asked for: once the card is erased, a single drive holds this footage.",
        )
    if policy.separate_drives is False:
        yield Declaration(
            "copies on one physical drive were allowed",
            "Copies on one physical drive were allowed to count: one fault can take them all.",
        )


def _about_the_card(case: Case) -> Iterator[Declaration]:
    facts = case.facts
    if facts.policy.card_reads == 1:
        yield Declaration(
            "the card was read once",
            "The card is read once, as asked: a reader that is wrong once would not be noticed.",
        )
    if facts.is_folder_card is True and any(
        drive.is_on_card is not False for drive in facts.drives
    ):
        yield Declaration(
            "the card is a folder beside its copies",
            "The card is a folder on the same physical drive as its copies.",
        )


def _about_drives(case: Case) -> Iterator[Declaration]:
    for one, other in combinations(case.facts.drives, 2):
        if is_declared(one, other, case.facts.policy):
            names = listed(sorted((one.name, other.name)))
            yield Declaration(
                f"{names} were declared separate",
                f"That {names} are separate drives was declared and could not be seen.",
            )
    for drive in case.facts.drives:
        if _counts_by_word(drive):
            name = listed([drive.name])
            yield Declaration(
                f"{name} by its server's word",
                f"That the copies on {name} are written is its server's word, which was accepted.",
            )


def _counts_by_word(drive: DriveFacts) -> bool:
    return drive.accepts_server is True and CopyState.PROVEN_SERVER in drive.states
