"""How the native filter is called."""

from collections.abc import Callable

import pytest

from fluxfix.inverse.track import native
from fluxfix.inverse.track import state as states
from fluxfix.inverse.track.room import Room


def test_costly_samples_are_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    """The interpreter is held only for what is expected to be brief, by what samples have lately taken."""
    clock, taken = [0.0], [0.0]
    ways: list[str] = []

    def way(name: str) -> Callable[..., int]:
        def call(*_arguments: object) -> int:
            ways.append(name)
            clock[0] += taken[0]
            return -1

        return call

    monkeypatch.setattr(native.time, "thread_time", lambda: clock[0])
    tracked = native.NativeFilter(None, None, (), (0, 0, 0), way("brief"), way("long"))  # type: ignore[arg-type]
    for seconds in (1e-5, 1e-5, 1e-2, 1e-5):  # of ten samples: good, good, sought anew, good
        taken[0] = seconds
        tracked.follow(states.fresh(), b"", b"", Room(10, 1))
    assert ways == ["long", "brief", "brief", "long"]  # nothing is known at first, nor that a sample will be hard
    assert not tracked.is_brief(10)
    while not tracked.is_brief(10):
        tracked.follow(states.fresh(), b"", b"", Room(10, 1))
    assert 20 < len(ways) < 200
    assert not tracked.is_brief(native.SHORT + 1)
