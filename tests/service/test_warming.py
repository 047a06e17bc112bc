"""Rigs are prepared before somebody waits for them."""

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue

import pytest

from fluxfix.errors import RigNotFoundError
from fluxfix.service import Limits, RigStore, Settings, running
from fluxfix.service.fairness import Fairness
from fluxfix.service.faults import RigNotReadyError
from fluxfix.service.limits import LaneLimit
from fluxfix.service.ports import ServedRig
from fluxfix.service.warming import PATIENCE_S, ReadyRigs, Room, Warmer
from fluxfix_client import Client, UnavailableError
from service.fakes import Gate, store_of
from service.test_metrics import samples
from service.wire import WAIT_S, until

LOOK_S = 0.01


@pytest.fixture
def held_exactly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Gate:
    """A folder with one cheap rig, and what holds up whoever prepares its exact model."""
    gate = Gate()
    store = store_of(tmp_path, stick='name = "stick"')
    monkeypatch.setattr("fluxfix.service.server.warm_up", lambda _rig: None)
    monkeypatch.setattr("fluxfix.service.server.warm_up_exactly", lambda _rig: gate())
    monkeypatch.setattr("fluxfix.service.server.fluxfix.load_rig", store._load)
    return gate


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


def test_call_waits_for_its_rig_and_gets_it_prepared(tmp_path: Path) -> None:
    """A rig that somebody waits for comes before others that were there first; more calls than may wait are told."""
    gate = Gate()
    prepared: list[str] = []

    def prepare(rig: ServedRig) -> None:
        gate()
        prepared.append(rig.name)

    store = store_of(tmp_path)
    warmer = Warmer(store, prepare, LOOK_S)
    warmer.start()
    first, last = store.create('name = "a"'), None
    assert gate.entered.wait(WAIT_S)
    for name in ("b", "c", "d"):
        last = store.create(f'name = "{name}"')
    rigs = ReadyRigs(store, warmer, Room(1), Fairness())
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(rigs.get, "d")
        until(lambda: rigs.waiting == 1)
        with pytest.raises(RigNotReadyError, match="try again"):
            rigs.get("a")
        assert not waiting.done()
        gate.opened.set()
        assert waiting.result(WAIT_S) is last
    assert prepared[:2] == ["a", "d"]
    assert rigs.get("a") is first
    assert rigs.waiting == 0
    warmer.stop()


def test_caller_hears_in_time_that_its_rig_is_not_ready(tmp_path: Path) -> None:
    """Whoever allows less time than preparing takes is told so before that time is over."""
    gate = Gate()
    store = store_of(tmp_path)
    warmer = Warmer(store, lambda _rig: gate(), LOOK_S)
    warmer.start()
    store.create('name = "held"')
    assert gate.entered.wait(WAIT_S)
    rigs = ReadyRigs(store, warmer, Room(1), Fairness())
    begin = time.monotonic()
    with pytest.raises(RigNotReadyError):
        rigs.get("held", 0.5)
    waited_s = time.monotonic() - begin
    gate.opened.set()
    warmer.stop()

    assert waited_s < 0.5 * PATIENCE_S


def test_client_hears_why_it_has_no_answer(tmp_path: Path, held_exactly: Gate) -> None:
    """Its own repeats do not turn the reason into a deadline that has passed."""
    with running(tmp_path) as service, Client(service.address, timeout_s=1.0) as client:
        with pytest.raises(UnavailableError) as caught:
            client.solve("stick", [1.0, 2.0, 3.0], exact=True)
        held_exactly.opened.set()

    assert caught.value.reason == "RIG_NOT_READY"


@pytest.mark.parametrize(("end", "error"), [("delete", RigNotFoundError), ("stop", RigNotReadyError)])
def test_call_does_not_wait_for_what_will_not_come(tmp_path: Path, end: str, error: type[Exception]) -> None:
    """Where the rig is deleted, or the service ends, the call is told at once; and nobody waits for ever."""
    gate = Gate()
    store = store_of(tmp_path)
    warmer = Warmer(store, lambda _rig: gate(), LOOK_S)
    warmer.start()
    store.create('name = "held"')
    assert gate.entered.wait(WAIT_S)
    rig = store.create('name = "stick"')
    with pytest.raises(RigNotReadyError):
        ReadyRigs(store, warmer, Room(1), Fairness(), patience_s=0.0).get("stick")
    rigs = ReadyRigs(store, warmer, Room(1), Fairness())
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(rigs.get, "stick")
        until(lambda: rigs.waiting == 1)
        if end == "delete":
            store.delete("stick", rig.sha256)
            gate.opened.set()
        else:
            warmer.stop()
        with pytest.raises(error):
            waiting.result(WAIT_S)
    gate.opened.set()
    warmer.stop()


def test_only_what_is_wanted_is_prepared(tmp_path: Path) -> None:
    """Such a warmer leaves rigs alone until a call wants one, also a call that is turned away; it prepares it once."""
    store = store_of(tmp_path, first='name = "first"', second='name = "second"')
    prepared: SimpleQueue[str] = SimpleQueue()
    tidied: list[bool] = []
    warmer = Warmer(
        store, lambda rig: prepared.put(rig.name), LOOK_S, tidy=lambda: tidied.append(True), only_wanted=True
    )
    warmer.start()
    assert prepared.empty()
    with pytest.raises(RigNotReadyError):
        ReadyRigs(store, warmer, Room(0), Fairness()).get("second")
    assert prepared.get(timeout=WAIT_S) == "second"
    assert ReadyRigs(store, warmer, Room(1), Fairness()).get("second") is store.get("second")
    assert len(tidied) == 1  # before the rig
    warmer.forget()
    assert ReadyRigs(store, warmer, Room(1), Fairness()).get("second") is store.get("second")
    warmer.stop()

    assert [prepared.get_nowait(), prepared.empty()] == ["second", True]


def test_exact_model_of_one_rig_holds_up_no_other(tmp_path: Path, held_exactly: Gate) -> None:
    """While the exact model of a rig is compiled half of the threads may wait for it; everything else is answered."""
    settings = Settings(limits=Limits(live=LaneLimit(threads=2, waiting=8)))
    with (
        running(tmp_path, settings=settings) as service,
        Client(service.address, WAIT_S) as client,
        ThreadPoolExecutor(1) as pool,
    ):
        waiting = pool.submit(client.solve, "stick", [1.0, 2.0, 3.0], exact=True)
        assert held_exactly.entered.wait(WAIT_S)
        with pytest.raises(UnavailableError) as caught:
            client.solve("stick", [1.0, 2.0, 3.0], exact=True)
        assert caught.value.reason == "RIG_NOT_READY"
        assert client.solve("stick", [1.0, 2.0, 3.0]).dof == 1
        held_exactly.opened.set()

        assert waiting.result(WAIT_S).dof == client.solve("stick", [1.0, 2.0, 3.0], exact=True).dof == 1


def test_new_rig_holds_up_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a rig made over the wire is prepared its calls wait, or are told to try again; others are answered."""
    gate = Gate()
    gate.opened.set()
    monkeypatch.setattr("fluxfix.service.server._leave_cold", lambda _rig: gate())
    limits = Limits(live=LaneLimit(threads=2, waiting=8))
    settings = Settings(limits=limits, metrics="127.0.0.1:0")
    store = store_of(tmp_path, stick='name = "stick"')
    with (
        running(store, settings=settings) as service,
        Client(service.address, WAIT_S) as client,
        ThreadPoolExecutor(1) as pool,
    ):
        metrics = service.metrics
        assert metrics is not None

        def told(*words: str) -> float:
            return samples(metrics.address)[frozenset(words)]

        gate.opened.clear()
        gate.entered.clear()
        client.create_rig('name = "new"')
        waiting = pool.submit(client.solve, "new", [1.0, 2.0, 3.0])
        assert gate.entered.wait(WAIT_S)
        until(lambda: told("fluxfix_calls_waiting_for_rig", "live") == 1)
        with pytest.raises(UnavailableError) as caught:
            client.solve("new", [1.0, 2.0, 3.0])
        assert (caught.value.reason, caught.value.metadata) == ("RIG_NOT_READY", {"rig": "new"})
        assert client.solve("stick", [1.0, 2.0, 3.0]).dof == 1
        assert client.rig("new").name == "new"
        assert told("fluxfix_rigs_unprepared") == 1
        assert not waiting.done()
        gate.opened.set()
        assert waiting.result(WAIT_S).dof == 1
        assert told("fluxfix_rigs_unprepared") == told("fluxfix_calls_waiting_for_rig", "live") == 0
        assert told("fluxfix_rig_preparation_seconds_count") == 2
