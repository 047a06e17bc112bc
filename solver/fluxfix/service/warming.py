"""Rigs that are new or have changed while the service runs, prepared before somebody waits for them."""

import logging
import threading
from collections.abc import Callable, Mapping

from fluxfix.service.ports import ServedRig
from fluxfix.service.priorities import this_thread_comes_last
from fluxfix.service.store import RigStore

LOOK_S = 1.0
"""Pause between two looks at the folder: whoever has made a rig rarely has a reading of it sooner."""
_log = logging.getLogger(__name__)
Known = Mapping[str, ServedRig]


class Warmer:
    """Looks at a store again and again, and prepares what it has not seen, one rig after the other in one thread.

    The folder is looked at, and no writer tells of its changes, because files are edited by hand and by other servers.
    """

    def __init__(self, store: RigStore, prepare: Callable[[ServedRig], None], look_s: float = LOOK_S) -> None:
        """Name the store, what is done with a rig, and the pause between two looks in seconds."""
        self._store = store
        self._prepare = prepare
        self._look_s = look_s
        self._stopped = threading.Event()

    def start(self) -> None:
        """Prepare every rig that is there, then go on in a thread; a fault in a rig that is there is raised."""
        known = self._look({}, self._prepare)
        # Not a daemon: a process that ends while such a thread compiles crashes.
        threading.Thread(target=self._go_on, args=(known,), name="fluxfix-warmer").start()

    def stop(self) -> None:
        """Prepare no further rig; the one at hand is finished."""
        self._stopped.set()

    def _go_on(self, known: Known) -> None:
        this_thread_comes_last()
        while not self._stopped.wait(self._look_s):
            known = self._look(known, self._prepare_or_log)

    def _look(self, known: Known, prepare: Callable[[ServedRig], None]) -> Known:
        rigs = {rig.name: rig for rig in self._store.rigs()}
        for name, rig in rigs.items():
            if self._stopped.is_set():
                break
            if known.get(name) is not rig:
                prepare(rig)
        return rigs

    def _prepare_or_log(self, rig: ServedRig) -> None:
        try:
            self._prepare(rig)
        except Exception:  # whoever solves with it is told; others are served
            _log.exception("fault in preparing rig %s", rig.name)
