"""A card is put in: what was known of it, and what a run about a part of it does not change."""

import os
import random
from pathlib import Path

import pytest

from offload.jobs.arriving import Arrival, meet_card
from offload.jobs.tools import Tools
from offload.ledger import cards, clearances, offloads
from offload.ledger.database import Ledger
from offload.values.facts import Policy
from offload.values.verdict import Answer
from tests.jobs.scene import Scene, write_card
from tests.lab.images import Rack

pytestmark = pytest.mark.lab

_source = random.Random(31)
CLIPS = {f"CLIPS/A001C00{at}.mov": _source.randbytes(20_000 + at) for at in (1, 2, 3)}


@pytest.fixture
def scene(rack: Rack, tmp_path: Path) -> Scene:
    made = Scene.make(rack, tmp_path)
    write_card(made.card, CLIPS)
    return made


def meet(scene: Scene) -> Arrival:
    with Ledger(os.fsencode(scene.home)) as ledger:
        tools = Tools(ledger, scene.key, scene.surroundings)
        return meet_card(os.fsencode(scene.card.root), Policy(), tools)


def bring_one_clip(scene: Scene) -> None:
    """What ``copy --missing`` does for each drive."""
    paths = frozenset({b"CLIPS/A001C002.mov"})
    wish = scene.wish(only_paths=paths, roll="A001-missing", code="K7-4M2P")
    assert not scene.offload(wish).verdict.is_cleared


def test_a_cleared_card_that_comes_back_as_it_was_is_settled(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    scene.card.remount()
    arrival = meet(scene)
    assert arrival.is_settled
    assert "when it was safe" in arrival.news


def test_a_run_about_a_part_leaves_the_cards_standing_alone(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    bring_one_clip(scene)
    scene.card.remount()
    arrival = meet(scene)
    assert arrival.is_settled
    assert "when it was safe" in arrival.news
    with Ledger(os.fsencode(scene.home)) as ledger:
        given = clearances.last_of_card(ledger, arrival.card)
        assert given is not None and given.voided_ns is None
        last = offloads.last_of_card(ledger, arrival.card)
        assert last is not None and last.answer is Answer.CLEARED


def test_a_card_of_which_only_a_part_was_brought_is_no_known_one(scene: Scene) -> None:
    bring_one_clip(scene)
    scene.card.remount()
    arrival = meet(scene)
    assert not arrival.is_settled
    assert arrival.answer is None
    assert "files more" not in arrival.news and "gone" not in arrival.news
    with Ledger(os.fsencode(scene.home)) as ledger:
        assert cards.get(ledger, arrival.card).card == arrival.card
        assert offloads.last_of_card(ledger, arrival.card) is None


def test_a_changed_card_is_not_settled_and_its_clearance_is_void(scene: Scene) -> None:
    assert scene.offload().verdict.is_cleared
    write_card(scene.card, {"CLIPS/A001C004.mov": b"a new clip"})
    scene.card.remount()
    arrival = meet(scene)
    assert not arrival.is_settled
    assert "1 file more" in arrival.news
    with Ledger(os.fsencode(scene.home)) as ledger:
        given = clearances.last_of_card(ledger, arrival.card)
        assert given is not None and given.voided_ns is not None
