"""When a drive that holds the others up is let go of. The clock and the drives are made up here."""

from dataclasses import dataclass

from offload.transfer.laggards import WINDOW_S, Laggards

GB = 10**9


@dataclass(eq=False)
class Drive:
    """As the watch sees it."""

    waiting_slots: int = 0
    done_bytes: int = GB
    left_bytes: int = 100 * GB
    takes_part: bool = True

    def leave(self) -> None:
        self.takes_part = False


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def waits(drives: list[Drive], share: float, *, seconds: float = 2 * WINDOW_S) -> None:
    """The reader waits for this share of every tenth of a second."""
    clock = Clock()
    watch = Laggards(drives, clock)
    for _ in range(int(seconds * 10)):
        clock.now += 0.1
        watch.waited(share * 0.1)


def test_drive_for_which_all_wait_leaves() -> None:
    slow, fast = Drive(waiting_slots=7), Drive()
    waits([slow, fast], 0.8)
    assert not slow.takes_part
    assert fast.takes_part


def test_drive_that_is_a_little_slower_stays() -> None:
    slow, fast = Drive(waiting_slots=7), Drive()
    waits([slow, fast], 0.4, seconds=100)
    assert slow.takes_part


def test_a_drive_that_tidies_up_for_some_seconds_stays() -> None:
    slow, fast = Drive(waiting_slots=7), Drive()
    waits([slow, fast], 1.0, seconds=0.5 * WINDOW_S)
    assert slow.takes_part


def test_drives_that_are_all_slow_stay_together() -> None:
    drives = [Drive(waiting_slots=7), Drive(waiting_slots=6)]
    waits(drives, 0.9)
    assert all(drive.takes_part for drive in drives)


def test_the_last_drive_never_leaves() -> None:
    slow, gone = Drive(waiting_slots=7), Drive(takes_part=False)
    waits([slow, gone], 0.9)
    assert slow.takes_part
    alone = Drive(waiting_slots=7)
    waits([alone], 0.9)
    assert alone.takes_part


def test_drive_that_alone_has_something_to_write_stays() -> None:
    """The round in which it gets the rest: nobody is held up by it any more."""
    slow, through = Drive(waiting_slots=7), Drive(left_bytes=0)
    waits([slow, through], 0.9)
    assert slow.takes_part


def test_near_the_end_nobody_leaves() -> None:
    """Another reading of the card would take longer than the others could gain."""
    slow, fast = Drive(waiting_slots=7, left_bytes=GB // 2), Drive()
    waits([slow, fast], 0.8, seconds=1.2 * WINDOW_S)
    assert slow.takes_part


def test_of_two_slow_drives_each_may_leave_in_its_turn() -> None:
    clock = Clock()
    drives = [Drive(waiting_slots=7), Drive(waiting_slots=1), Drive()]
    watch = Laggards(drives, clock)
    for _ in range(int(4 * WINDOW_S * 10)):
        clock.now += 0.1
        watch.waited(0.08)
        if not drives[0].takes_part:
            drives[1].waiting_slots = 7
    assert [drive.takes_part for drive in drives] == [False, False, True]
