"""The shipped rigs with the stops of their recordings, read once."""

from typing import NamedTuple

import pytest

from fluxfix import load_recording, load_rig, shipped
from fluxfix.calibrate.run import observations_of, stops_of
from fluxfix.calibrate.stops import Observations
from fluxfix.facade import Rig

NAMES = (("reference.csv", "0" * 64),)
"""Name and hash that stand for a recording where its observations are taken apart."""


class Bench(NamedTuple):
    """A rig and the stops of its recording."""

    rig: Rig
    stops: Observations


def _bench(rig: str, recording: str) -> Bench:
    loaded = load_rig(shipped.path(f"rigs/{rig}.toml"))
    stops = stops_of(loaded, load_recording(shipped.path(f"recordings/{recording}/reference.csv")))
    return Bench(loaded, observations_of(loaded, stops))


@pytest.fixture(scope="session")
def stick() -> Bench:
    """The boom stick and its simulated unit."""
    return _bench("boom-stick", "boom-stick-unit-a")


@pytest.fixture(scope="session")
def slider() -> Bench:
    """The rate slider and its simulated unit."""
    return _bench("rate-slider", "rate-slider-unit-a")


@pytest.fixture(scope="session")
def scan() -> Bench:
    """The real scan."""
    return _bench("measured-scan", "measured-scan")
