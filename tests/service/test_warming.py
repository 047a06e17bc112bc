"""Rigs are prepared before somebody waits for them."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue

from fluxfix.service import RigStore
from fluxfix.service.ports import ServedRig
from fluxfix.service.warming import Warmer
from service.fakes import store_of

LOOK_S = 0.01
WAIT_S = 30.0  # for a thread that has nothing else to do


@contextmanager
def warming(store: RigStore, faulty: str = "") -> Iterator[SimpleQueue[ServedRig]]:
    """Give the rigs in the order in which they are prepared; preparing one of them fails."""
    prepared: SimpleQueue[ServedRig] = SimpleQueue()

    def prepare(rig: ServedRig) -> None:
        prepared.put(rig)
        if rig.name == faulty:
            raise ZeroDivisionError("a fault of the inside")

    warmer = Warmer(store, prepare, LOOK_S)
    warmer.start()
    try:
        yield prepared
    finally:
        warmer.stop()


def test_rigs_that_are_there_are_prepared_at_once(tmp_path: Path) -> None:
    """When `start` returns, each rig has been prepared once."""
    store = store_of(tmp_path, first='name = "first"', second='name = "second"', bent='name = "bent"\nbroken = 1')
    with warming(store) as prepared:
        assert [prepared.get_nowait().name for _ in range(2)] == ["first", "second"]


def test_new_and_changed_rigs_are_prepared_as_they_are_now(tmp_path: Path) -> None:
    """A rig made over the wire, one changed there and one changed by hand: each is the very object that will solve."""
    store = store_of(tmp_path, first='name = "first"')
    with warming(store) as prepared:
        present = prepared.get_nowait()
        assert present is store.get("first")

        created = store.create('name = "second"')
        assert prepared.get(timeout=WAIT_S) is created

        replaced = store.replace("first", 'name = "first" # changed', present.sha256)
        assert prepared.get(timeout=WAIT_S) is replaced

        (tmp_path / "edited").write_text('name = "second" # by hand', encoding="utf-8")
        (tmp_path / "edited").replace(tmp_path / "second.toml")  # at once: no look finds half a text
        assert prepared.get(timeout=WAIT_S) is store.get("second")
        assert prepared.empty()


def test_fault_in_one_rig_stops_no_other(tmp_path: Path) -> None:
    """What goes wrong in preparing a rig is logged, and the next one is prepared all the same."""
    store = store_of(tmp_path)
    with warming(store, faulty="bad") as prepared:
        store.create('name = "bad"')
        assert prepared.get(timeout=WAIT_S).name == "bad"
        store.create('name = "good"')
        assert prepared.get(timeout=WAIT_S).name == "good"


def test_stopped_warmer_prepares_nothing(tmp_path: Path) -> None:
    """A service that is told to stop while it starts does not wait for its rigs."""
    store = store_of(tmp_path, first='name = "first"')
    seen: list[str] = []
    warmer = Warmer(store, lambda rig: seen.append(rig.name), LOOK_S)
    warmer.stop()
    warmer.start()

    assert seen == []
