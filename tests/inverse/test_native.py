"""Native code: one reading at a time, threads, other ways to compile it, and a compiler that fails."""

import logging
import os
import threading
import time
from contextlib import suppress
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from fluxfix.errors import ArgumentError
from fluxfix.inverse.fast import aside, library
from fluxfix.inverse.fast.solve import FastSolver
from fluxfix.inverse.native import compile as build
from fluxfix.rig.travel import grid
from rig import texts

REST = 1e-4  # sd, times the root of the misfit: of several searches that end at one minimum, any may be taken
EQUAL = 1e-12  # of the travel: the same steps in another order of additions


def test_single_refuses_other_shapes():
    """Another number of values, or what is no number, is refused with a sentence."""
    single = texts.rig(texts.LEVER).single()

    for wrong in ([1.0, 2.0], [1.0, 2.0, "three"], 5.0):
        with pytest.raises(ArgumentError, match="needs 3 numbers"):
            single.solve(wrong)


def test_threads_share_a_single():
    """Readings solved by several threads at once are solved as by one."""
    rig = texts.rig(texts.LEVER)
    readings = rig.simulate(np.random.default_rng(2).uniform(-20.0, 20.0, (400, 2)), seed=3).tolist()
    single = rig.single()
    expected, found = [single.solve(one) for one in readings], {}

    def work(number):
        found[number] = [single.solve(one) for one in readings]

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [repr(one) for one in found[3]] == [repr(one) for one in expected]
    assert all(repr(one) == repr(expected) for one in found.values())


@pytest.mark.skipif(not hasattr(os, "SCHED_IDLE"), reason="the system does not know threads that come last")
def test_batches_of_threads_that_give_way_are_solved_last_of_all():
    """What such a thread asks for another one solves, which comes last of all; the fixes are the same."""
    rig = texts.rig(texts.LEVER)
    readings = np.tile(rig.simulate(grid(rig.joints, 9, widened=True), seed=9), (200, 1))
    expected, found, seen = rig.solve(readings), [], threading.Event()

    def work():
        aside.from_now_on()
        while not seen.is_set():
            found[:] = [rig.solve(readings)]

    def last():
        for task in Path("/proc/self/task").iterdir():
            with suppress(OSError):  # it has ended
                if os.sched_getscheduler(int(task.name)) == os.SCHED_IDLE:
                    return True
        return False

    thread = threading.Thread(target=work)
    thread.start()
    deadline = time.monotonic() + 60.0
    while not seen.is_set() and time.monotonic() < deadline:
        if last():
            seen.set()
    was_seen = seen.is_set()
    seen.set()
    thread.join()

    assert was_seen
    for field in fields(expected):
        assert np.array_equal(getattr(found[0], field.name), getattr(expected, field.name), equal_nan=True)


def test_one_lane_is_compiled_and_gives_the_same(tmp_path, monkeypatch):
    """Plain C99 without vectors, warnings as errors and undefined behaviour trapped, gives what vectors give."""
    strict = ("-pedantic", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
    rig = texts.rig(texts.LEVER)
    readings = rig.simulate(grid(rig.joints, 9, widened=True), seed=9)
    readings[4] = [np.nan, np.inf, 0.0]
    expected = rig.solve(readings)
    monkeypatch.setattr(build, "FLAGS", (*build.FLAGS, "-DFFX_ONE_LANE", *strict))
    assert build.compiled(build.PLAIN, tmp_path / "one.so") is None
    loaded = library._load(tmp_path / "one.so")
    monkeypatch.setattr(library, "library", lambda: loaded)
    found = FastSolver(rig.solver).solve(readings)

    assert np.array_equal(found.status, expected.status)
    good = expected.status == 0
    assert np.sum(good) > 30
    assert found.position[good] == pytest.approx(expected.position[good], abs=EQUAL * 40.0)
    # Of several searches that end at one minimum round-off decides which is the best.
    assert found.position == pytest.approx(
        expected.position, abs=REST * np.nanmax(np.sqrt(expected.misfit)), nan_ok=True
    )


def test_a_compiler_that_fails_is_no_failure(tmp_path, monkeypatch, caplog):
    """Where the code cannot be compiled nothing is left behind, the reason is logged, and JAX solves."""
    monkeypatch.setenv("FLUXFIX_CACHE", str(tmp_path))
    monkeypatch.setattr(build, "compiler", lambda: "/bin/false")
    monkeypatch.setattr(build, "SOURCES", build.SOURCES / "nowhere")
    library.library.cache_clear()
    with caplog.at_level(logging.INFO):
        assert library.library() is None
    library.library.cache_clear()

    assert "readings are solved without native code" in caplog.text
    assert not list(tmp_path.rglob("*.so"))
