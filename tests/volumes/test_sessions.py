"""One session for each mounting, by a clock that the test holds."""

from dataclasses import replace

from offload.volumes.sessions import (
    Appeared,
    Left,
    Pace,
    Restless,
    Sessions,
    Settled,
    VolumeEvent,
)
from offload.volumes.settle import Look
from offload.volumes.volume import Mounting, Volume

PACE = Pace(stands_s=0.1, quiet_s=1.0, look_s=0.5, patience_s=10.0, slow_s=5.0, net_s=0.8)
CONTENT = Look(b"content", False)
EMPTY = Look(b"empty", True)


def mounting(key: int, place: bytes = b"/media/A001", *, is_covered: bool = False) -> Mounting:
    return Mounting(key, place, is_covered)


def volume(key: int) -> Volume:
    return Volume(b"/media/A001", b"/dev/sdb1", "exfat", (), False, "8:17", key, True)


class Bench:
    """A machine whose mounts, looks and clock the test sets."""

    def __init__(self) -> None:
        self.sessions = Sessions(PACE)
        self.now = 100.0
        self.mounted: list[Mounting] = []
        self.content = CONTENT
        self.events: list[VolumeEvent] = []
        self.looks = 0

    def step(self) -> None:
        """One turn, as the watcher takes it."""
        self.events += self.sessions.update(self.mounted, self.now)
        for asked in self.sessions.to_describe(self.now):
            key = asked.key
            assert isinstance(key, int)
            self.events += self.sessions.described(asked, volume(key), self.now)
        for asked in self.sessions.to_look_at(self.now):
            self.looks += 1
            self.events += self.sessions.looked(asked, self.content, self.now)

    def run(self, seconds: float) -> None:
        """Turn until so much time has passed, waiting as long as the sessions say."""
        end = self.now + seconds
        while True:
            self.step()
            wait = max(self.sessions.wait_s(self.now), 0.001)
            if self.now + wait > end:
                self.now = end
                return
            self.now += wait


def test_card_appears_settles_and_leaves_once() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.run(60)
    bench.mounted = []
    bench.run(10)
    assert bench.events == [Appeared(volume(1)), Settled(volume(1)), Left(volume(1))]


def test_settled_card_is_not_looked_at_again() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.run(5)
    looks = bench.looks
    bench.run(600)
    assert bench.looks == looks


def test_it_has_appeared_within_a_second() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.run(0.9)
    assert bench.events == [Appeared(volume(1))]


def test_listing_that_grows_settles_once_it_has_come_to_rest() -> None:
    """A driver or a person is still writing to it: nothing is begun before that has ended."""
    bench = Bench()
    bench.mounted = [mounting(1)]
    for number in range(12):
        bench.content = Look(b"%d files" % number, False)
        bench.run(0.7)
        assert bench.events == [Appeared(volume(1))]
    bench.run(1.5)
    assert bench.events == [Appeared(volume(1)), Settled(volume(1))]


def test_listing_that_never_rests_is_told_once_and_settles_when_it_does() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    for number in range(300):
        bench.content = Look(b"%d" % number, False)
        bench.run(0.5)
    assert bench.events == [Appeared(volume(1)), Restless(volume(1))]
    bench.run(3)
    assert bench.events == [Appeared(volume(1)), Restless(volume(1)), Settled(volume(1))]


def test_empty_card_that_fills_has_its_own_patience() -> None:
    """It lay there empty for an hour; what begins then is no restlessness of an hour."""
    bench = Bench()
    bench.content = EMPTY
    bench.mounted = [mounting(1)]
    bench.run(3600)
    for number in range(3):
        bench.content = Look(b"%d" % number, False)
        bench.run(5)
    bench.run(10)
    assert bench.events == [
        Appeared(volume(1)),
        Settled(volume(1), is_empty=True),
        Settled(volume(1)),
    ]


def test_content_that_comes_late_is_not_an_empty_card() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.content = EMPTY
    bench.run(3)
    assert bench.events == [Appeared(volume(1))]
    bench.content = CONTENT
    bench.run(3)
    assert bench.events[1:] == [Settled(volume(1))]


def test_empty_card_is_said_once_and_tried_again() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.content = EMPTY
    bench.run(60)
    assert bench.events[1:] == [Settled(volume(1), is_empty=True)]
    bench.content = CONTENT
    bench.run(15)
    assert bench.events[2:] == [Settled(volume(1))]


def test_unreadable_card_is_said_with_its_reason() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.content = Look(b"x", False, "input/output error (EIO)")
    bench.run(30)
    assert bench.events[1:] == [Settled(volume(1), False, "input/output error (EIO)")]


def test_twenty_rounds_are_twenty_sessions() -> None:
    bench = Bench()
    for key in range(20):
        bench.mounted = [mounting(key)]
        bench.run(3)
        bench.mounted = []
        bench.run(1)
    for kind in (Appeared, Settled, Left):
        keys = [e.volume.mount_id for e in bench.events if isinstance(e, kind)]
        assert keys == list(range(20))


def test_mount_that_flaps_ten_times_a_second_is_quiet() -> None:
    bench = Bench()
    for key in range(100):
        bench.mounted = [mounting(key)]
        bench.run(0.05)
        bench.mounted = []
        bench.run(0.05)
    assert bench.events == []
    bench.mounted = [mounting(1000)]
    bench.run(5)
    assert bench.events == [Appeared(volume(1000)), Settled(volume(1000))]


def test_mounting_anew_between_two_readings_is_left_and_appeared() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.run(5)
    bench.mounted = [mounting(2)]
    bench.run(5)
    assert bench.events[2:] == [Left(volume(1)), Appeared(volume(2)), Settled(volume(2))]


def test_mounting_over_a_card_ends_nothing() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.run(5)
    bench.mounted = [mounting(1, is_covered=True), mounting(2)]
    bench.run(20)
    bench.mounted = [mounting(1)]
    bench.run(20)
    assert bench.events[2:] == [Appeared(volume(2)), Settled(volume(2)), Left(volume(2))]


def test_covered_card_is_announced_once_uncovered() -> None:
    bench = Bench()
    bench.mounted = [mounting(1, is_covered=True)]
    bench.run(20)
    assert bench.events == []
    bench.mounted = [mounting(1)]
    bench.run(2)
    assert bench.events == [Appeared(volume(1)), Settled(volume(1))]


def test_look_that_led_elsewhere_counts_for_nothing() -> None:
    bench = Bench()
    bench.mounted = [mounting(1)]
    bench.run(0.2)
    assert bench.looks == 1
    bench.mounted = [mounting(1, is_covered=True)]
    bench.step()
    asked = replace(mounting(1), is_covered=False)
    for at in (0.6, 1.7, 12.0):
        assert bench.sessions.looked(asked, EMPTY, bench.now + at) == []


def test_description_that_fails_is_asked_for_again() -> None:
    sessions = Sessions(PACE)
    sessions.update([mounting(1)], 0.0)
    (asked,) = sessions.to_describe(0.2)
    assert sessions.to_describe(0.3) == []
    assert sessions.described(asked, None, 0.3) == []
    assert sessions.to_describe(0.9) == [asked]
    assert sessions.described(asked, volume(1), 1.0) == [Appeared(volume(1))]
    assert sessions.described(asked, volume(1), 1.0) == []


def test_answer_after_the_card_left_is_nothing() -> None:
    sessions = Sessions(PACE)
    sessions.update([mounting(1)], 0.0)
    (asked,) = sessions.to_describe(0.2)
    assert sessions.update([], 0.3) == []
    assert sessions.described(asked, volume(1), 0.4) == []
    assert sessions.looked(asked, CONTENT, 0.5) == []


def test_waiting_is_never_longer_than_the_net() -> None:
    sessions = Sessions(PACE)
    assert sessions.wait_s(0.0) == PACE.net_s
    sessions.update([mounting(1)], 0.0)
    assert 0 < sessions.wait_s(0.0) <= PACE.stands_s
