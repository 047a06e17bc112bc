"""Rigs that are new or have changed while the service runs, prepared before somebody waits for them."""

import logging
import math
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from fluxfix.service.fairness import Fairness
from fluxfix.service.faults import RigNotReadyError
from fluxfix.service.ports import ServedRig
from fluxfix.service.priorities import this_thread_comes_last
from fluxfix.service.store import RigStore

LOOK_S = 1.0
"""Pause between two looks at the folder; whoever waits for a rig that is new ends it."""
TIDY_S = 10.0
"""Pause between two times of tidying, while nothing is prepared; every rig that is makes a time."""
PATIENCE_S = 60.0
"""How long a call waits for its rig: about as long as the slowest rig takes on a machine that compiles it anew."""
ANSWER_S, ANSWER_PART = 0.25, 0.05
"""What is left of a caller's time to tell it that the rig is not ready, in seconds and as a part of it."""
_log = logging.getLogger(__name__)


class Warmer:
    """Looks at a store again and again, and prepares what it has not seen, one rig after the other in one thread.

    The folder is looked at, and no writer tells of its changes, because files are edited by hand and by other servers.
    A rig that somebody waits for comes before the others.
    """

    def __init__(
        self,
        store: RigStore,
        prepare: Callable[[ServedRig], None],
        look_s: float = LOOK_S,
        told: Callable[[float], None] | None = None,
        tidy: Callable[[], object] = lambda: None,
        *,
        only_wanted: bool = False,
    ) -> None:
        """Name the store, what is done with a rig, the pause between two looks in seconds, and who is told of it.

        `told` is given the seconds that each rig took; `tidy` is called now and then; `only_wanted` prepares no rig
        that nobody waits for.
        """
        self._store = store
        self._prepare = prepare
        self._look_s = look_s
        self._told = told
        self._tidy = tidy
        self._only_wanted = only_wanted
        self._stopped = threading.Event()
        self._wake = threading.Event()
        self._changed = threading.Condition()
        self._wanted: dict[str, None] = {}  # in the order in which they were asked for
        self._ready: dict[str, ServedRig] = {}
        self._left = 0

    @property
    def ready(self) -> Mapping[str, ServedRig]:
        """What has been prepared, by name: one mapping, which changes. A rig may be used if it is the one in there."""
        return self._ready

    @property
    def left(self) -> int:
        """Rigs that are not prepared yet, by the last look."""
        return self._left

    def start(self) -> None:
        """Prepare every rig that is there, then go on in a thread; a fault in a rig that is there is raised."""
        while (rig := self._next()) is not None:
            self._make_ready(rig, self._prepare)
        # Not a daemon: a process that ends while such a thread compiles crashes.
        threading.Thread(target=self._go_on, name="fluxfix-warmer").start()

    def forget(self) -> None:
        """Take no rig for prepared any more."""
        with self._changed:
            self._ready.clear()
            self._changed.notify_all()

    def stop(self) -> None:
        """Prepare no further rig; the one at hand is finished, and nobody waits any more."""
        self._stopped.set()
        self._wake.set()
        with self._changed:
            self._changed.notify_all()

    def want(self, name: str) -> None:
        """Let a rig come before the others."""
        with self._changed:
            self._want(name)

    def _want(self, name: str) -> None:
        self._wanted[name] = None
        self._wake.set()

    def wait(self, name: str, patience_s: float = PATIENCE_S) -> ServedRig:
        """Wait until a rig is prepared, in the state it has then, and give it.

        Raises:
            RigNotReadyError: it takes too long, or the service ends.
            FluxfixError: what the store raises, as when the rig is deleted meanwhile.
        """
        end = time.monotonic() + patience_s
        with self._changed:
            while True:
                rig = self._store.get(name)
                if self._ready.get(name) is rig:
                    return rig
                self._want(name)
                if self._stopped.is_set():
                    raise RigNotReadyError(name)
                if not self._changed.wait(end - time.monotonic()):
                    raise RigNotReadyError(name, time_is_up=True)

    def _go_on(self) -> None:
        this_thread_comes_last()
        tidied = time.monotonic()
        while not self._stopped.is_set():
            if time.monotonic() > tidied + TIDY_S:
                self._tidy()
                tidied = time.monotonic()
            self._wake.clear()
            try:
                rig = self._next()
            except OSError:  # a folder that cannot be read for a while
                _log.exception("fault in looking for rigs")
                rig = None
            if rig is None:
                self._wake.wait(None if self._only_wanted and not self._wanted else self._look_s)
            else:
                self._make_ready(rig, self._prepare_or_log)

    def _next(self) -> ServedRig | None:
        """Look at the store, forget what is gone, and choose what to prepare; None if there is nothing, or no time."""
        rigs = {rig.name: rig for rig in self._store.rigs()}
        for name in [name for name in self._ready if name not in rigs]:
            self._ready.pop(name, None)
        todo = {name: rig for name, rig in rigs.items() if self._ready.get(name) is not rig}
        self._left = len(todo)
        with self._changed:
            wanted = next((name for name in self._wanted if name in todo), None)
            self._wanted = {name: None for name in self._wanted if name in todo}
        if self._stopped.is_set() or not todo:
            return None
        if wanted is None and self._only_wanted:
            return None
        return todo[wanted] if wanted else next(iter(todo.values()))

    def _make_ready(self, rig: ServedRig, prepare: Callable[[ServedRig], None]) -> None:
        self._tidy()
        begin = time.monotonic()
        prepare(rig)
        if self._told is not None:
            self._told(time.monotonic() - begin)
        with self._changed:
            self._left -= 1
            self._ready[rig.name] = rig
            self._changed.notify_all()

    def _prepare_or_log(self, rig: ServedRig) -> None:
        try:
            self._prepare(rig)
        except Exception:  # whoever solves with it is told; others are served
            _log.exception("fault in preparing rig %s", rig.name)


class Room:
    """How many calls of a lane may wait for rigs."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._waiting = 0
        self._lock = threading.Lock()

    @property
    def waiting(self) -> int:
        """Calls that wait now."""
        return self._waiting

    @contextmanager
    def for_one(self, name: str) -> Iterator[None]:
        """Count one call that waits for the rig of that name.

        Raises:
            RigNotReadyError: as many calls wait as may.
        """
        with self._lock:
            if self._waiting >= self._most:
                raise RigNotReadyError(name)
            self._waiting += 1
        try:
            yield
        finally:
            with self._lock:
                self._waiting -= 1


class ReadyRigs:
    """The rigs of a store as a lane's calls get them: one that is not prepared yet is waited for by a few calls only.

    So no rig, however long a compiler takes, can hold every thread of a lane: other rigs are solved all the while.
    """

    def __init__(
        self, store: RigStore, warmer: Warmer, room: Room, fairness: Fairness, patience_s: float = PATIENCE_S
    ) -> None:
        """Name the store, who prepares, the lane's room for calls that wait, its turns, and the longest wait in s."""
        self._store = store
        self._warmer = warmer
        self._ready = warmer.ready
        self._room, self._fairness = room, fairness
        self._patience_s = patience_s

    @property
    def waiting(self) -> int:
        """Calls of the lane that wait now."""
        return self._room.waiting

    def get(self, name: str, left_s: float | None = None) -> ServedRig:
        """Give one rig that is prepared.

        Args:
            name: of the rig.
            left_s: until the caller gives up, in seconds; None where it waits for ever.

        Raises:
            RigNotReadyError: as many calls wait as may, or it takes too long: the caller hears of it in time.
            FluxfixError: as `RigStore.get`.
        """
        rig = self._store.get(name)
        if self._ready.get(name) is rig:
            return rig
        self._warmer.want(name)  # so that who is turned away finds it prepared a little later
        with self._room.for_one(name), self._fairness.waiting():
            return self._warmer.wait(name, min(self._patience_s, _without_answer(left_s)))


def _without_answer(left_s: float | None) -> float:
    """How much of the time that a caller allows may be spent with waiting, so that an answer still reaches it."""
    return math.inf if left_s is None else max(0.0, left_s - max(ANSWER_S, ANSWER_PART * left_s))
