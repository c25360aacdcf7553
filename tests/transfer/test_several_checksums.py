"""One reading works out every checksum that is asked for, the same ones whatever the size."""

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from offload.checksum import NAMES, digest_of
from offload.storage.evidence import Medium
from offload.storage.root import Root
from offload.transfer.counters import Lane, Pass
from offload.transfer.hashing import HashingCrew
from offload.transfer.proving import BUFFER_BYTES, prove_all
from offload.transfer.readings import Outcome, Reading, ReadingResult

SIZES = (0, 1, 4097, (1 << 20) + 1, BUFFER_BYTES, 3 * BUFFER_BYTES + 12_345)


class _Unknown:
    def get(self, _name: str, _number: int, /) -> bytes | None:
        return None


def read(
    folder: Path,
    names: list[str],
    algorithms: Callable[[int], tuple[str, ...]],
    *,
    is_stopped: Callable[[], bool] = lambda: False,
) -> tuple[ReadingResult, dict[int, dict[str, bytes]]]:
    taken: dict[int, dict[str, bytes]] = {}
    counters = Pass("proving")
    counters.drives["d"] = Lane("d")
    with Root(os.fsencode(folder)) as root:
        reading = Reading(
            "d",
            root,
            Medium(),
            lambda at: os.fsencode(names[at]),
            range(len(names)),
            lambda at: False,
            may_share=True,
            algorithms=algorithms,
            take=lambda at, digests: taken.update({at: dict(digests)}),
        )
        results = prove_all(
            [reading],
            _Unknown(),
            lambda at: (folder / names[at]).stat().st_size,
            counters,
            len(names),
            read_counter=lambda device: None,
            is_stopped=is_stopped,
        )
    return results["d"], taken


def test_every_algorithm_comes_from_one_reading(tmp_path: Path) -> None:
    contents = [os.urandom(size) for size in SIZES]
    names = [f"f{at}" for at in range(len(SIZES))]
    for name, content in zip(names, contents, strict=True):
        (tmp_path / name).write_bytes(content)
    result, taken = read(tmp_path, names, lambda at: NAMES)
    for at, content in enumerate(contents):
        assert taken[at] == {name: digest_of(name, content) for name in NAMES}
    assert set(result.outcomes) == {Outcome.EQUAL}
    stock = subprocess.run(["sha512sum", tmp_path / "f5"], capture_output=True, check=True)
    assert taken[5]["sha512"].hex().encode() == stock.stdout.split()[0]


def test_each_file_gets_the_algorithms_asked_for_it(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).write_bytes(b"take 1")
    _, taken = read(tmp_path, ["a", "b"], lambda at: ("md5",) if at else ())
    assert [set(taken[at]) for at in (0, 1)] == [{"xxh128"}, {"xxh128", "md5"}]


def test_file_that_cannot_be_opened_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"take 1")
    (tmp_path / "b").mkdir()
    result, taken = read(tmp_path, ["a", "b"], lambda at: ("md5",))
    assert set(taken) == {0}
    assert result.outcomes[1] == Outcome.UNREADABLE


def test_stop_in_the_middle_of_a_large_file_ends_cleanly(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(bytes(4 * BUFFER_BYTES))
    asked = iter(range(100))
    _, taken = read(tmp_path, ["a"], lambda at: NAMES, is_stopped=lambda: next(asked) > 3)
    assert taken == {}


def test_error_of_whoever_takes_digests_reaches_the_caller(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x")
    with pytest.raises(KeyError):
        read(tmp_path, ["a"], lambda at: {}[at])


def test_crew_gives_up_a_file_and_takes_the_next() -> None:
    blocks = [memoryview(os.urandom(1 << 20)) for _ in range(3)]
    with HashingCrew() as crew:
        given_up = crew.begin(("c4", "md5"), is_large=True)
        given_up.update(blocks[0])
        next_one = crew.begin(("c4", "md5", "sha512"), is_large=True)
        for block in blocks:
            next_one.update(block)
        whole = b"".join(blocks)
        assert next_one.digests() == {
            name: digest_of(name, whole) for name in ("c4", "md5", "sha512")
        }
