"""The shipped rigs with the stops of their recordings, read once."""

from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix import load_recording, load_rig, shipped
from fluxfix.calibration.run import observations_of, stops_of
from fluxfix.calibration.stops import Observations
from fluxfix.facade import Rig


class Bench(NamedTuple):
    """A rig, the stops of its recording, and the samples of each of them, (n, m)."""

    rig: Rig
    stops: Observations
    samples: list[NDArray[np.float64]]


def _bench(rig: str, recording: str) -> Bench:
    loaded = load_rig(shipped.path(f"rigs/{rig}.toml"))
    opened = load_recording(shipped.path(f"recordings/{recording}/reference.csv"))
    stops, readings = stops_of(loaded, opened), opened.read().columns(loaded.columns)
    return Bench(loaded, observations_of(loaded, stops), [readings[first:end] for first, end in stops.rows])


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
