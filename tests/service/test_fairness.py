"""Batches take turns, and pause where somebody wants live answers."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from queue import SimpleQueue
from types import SimpleNamespace

import pytest

from fluxfix.service import fairness
from fluxfix.service.fairness import LONGEST_REST_S, RECENT_S, REST, Fairness
from fluxfix.service.lanes import lanes_of
from fluxfix.service.limits import Limits
from fluxfix.service.methods import LaneName

WAIT_S = 30.0
EXACT = 1e-9  # s: sums of a clock that starts at 1000


class Clock:
    """Time that passes only where somebody sleeps or works."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.slept: list[float] = []

    def monotonic(self) -> float:
        """Tell the time."""
        return self.now_s

    def sleep(self, seconds: float) -> None:
        """Take note, and let the time pass."""
        self.slept.append(seconds)
        self.now_s += seconds

    def work(self, of: Fairness, seconds: float) -> None:
        """Have a turn that takes so long."""
        with of.turn():
            self.now_s += seconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The clock that turns are measured by."""
    clock = Clock()
    monkeypatch.setattr(fairness, "time", SimpleNamespace(monotonic=clock.monotonic, sleep=clock.sleep))
    return clock


@pytest.fixture
def live(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], Fairness]:
    """Make what knows of a live answer, and does not forget it in the time of a test."""

    def make(processors: int) -> Fairness:
        fair = Fairness(processors)
        fair.live()
        return fair

    monkeypatch.setattr(fairness, "RECENT_S", 3600.0)
    return make


@pytest.mark.parametrize(("processors", "at_once"), [(1, 1), (2, 1), (4, 3)])
def test_one_processor_is_left_to_others(live: Callable[[int], Fairness], processors: int, at_once: int) -> None:
    """Beside live answers as many batches have turns as there are processors but one, one where there is one."""
    fair, entered, end = live(processors), threading.Semaphore(0), threading.Event()

    def batch() -> None:
        with fair.turn():
            entered.release()
            end.wait(WAIT_S)

    with ThreadPoolExecutor(at_once + 1) as pool:
        for _ in range(at_once + 1):
            pool.submit(batch)
        for _ in range(at_once):
            assert entered.acquire(timeout=WAIT_S)
        assert not entered.acquire(blocking=False)
        end.set()
        assert entered.acquire(timeout=WAIT_S)


def test_nobody_live_no_pause(clock: Clock) -> None:
    """Batches come at once and at the same time, also when the last live answer is long ago."""
    fair = Fairness(2)
    with fair.turn(), fair.turn():
        pass
    for _ in range(3):
        clock.work(fair, 0.01)
    fair.live()
    clock.work(fair, RECENT_S + 0.01)
    clock.work(fair, 0.01)

    assert clock.slept == []


@pytest.mark.parametrize(("work_s", "pause_s"), [(0.002, REST * 0.002), (0.4, LONGEST_REST_S)])
def test_pause_beside_live_answers(clock: Clock, work_s: float, pause_s: float) -> None:
    """The next batch begins a pause after the end of the one before, and no later where it comes later itself."""
    fair = Fairness(2)
    fair.live()
    clock.work(fair, work_s)
    clock.now_s += 0.0005
    clock.work(fair, work_s)
    assert clock.slept == [pytest.approx(pause_s - 0.0005, abs=EXACT)]
    clock.now_s += 1.0
    clock.work(fair, work_s)

    assert len(clock.slept) == 1


def test_failed_batch_gives_its_turn_back(live: Callable[[int], Fairness]) -> None:
    """An error does not stop the others."""
    fair = live(2)
    for _ in range(2):
        with pytest.raises(ZeroDivisionError), fair.turn():
            raise ZeroDivisionError


def test_who_waits_leaves_the_turn_to_others(live: Callable[[int], Fairness]) -> None:
    """Meanwhile another thread has it; afterwards it is one's own again. Without a turn nothing happens."""
    fair = live(2)
    with ThreadPoolExecutor(1) as pool:

        def other() -> str:
            with fair.waiting(), fair.turn():
                return "had it"

        with fair.turn():
            with fair.waiting():
                assert pool.submit(other).result(WAIT_S) == "had it"
            late = pool.submit(other)
            assert not late.done()
        assert late.result(WAIT_S) == "had it"


def test_only_the_lane_of_batches_takes_turns(live: Callable[[int], Fairness]) -> None:
    """Of two batches the second waits for the end of the first; whoever is live, and long work, does not."""
    lanes = lanes_of(Limits(), live(2))
    done: SimpleQueue[str] = SimpleQueue()
    begun, end = threading.Event(), threading.Event()

    def first() -> None:
        begun.set()
        end.wait(WAIT_S)
        done.put("first")

    lanes[LaneName.BULK].submit(first)
    assert begun.wait(WAIT_S)
    lanes[LaneName.BULK].submit(lambda: done.put("second"))
    for name in (LaneName.LIVE, LaneName.STREAM, LaneName.LONG):
        lanes[name].submit(lambda name=name: done.put(name))
    ended = {done.get(timeout=WAIT_S) for _ in range(3)}
    end.set()

    assert ended == {LaneName.LIVE, LaneName.STREAM, LaneName.LONG}
    assert [done.get(timeout=WAIT_S) for _ in range(2)] == ["first", "second"]
    lanes.close()
