"""How far fixes shift with what varies unmeasured while a rig is used, such as its temperature."""

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.predict import predict
from fluxfix.rig import rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameter, Parameters, tangents

Floats = NDArray[np.float64]


def readings_by_drift(
    layout: Layout, parameters: Parameters, varying: tuple[Parameter, ...], positions: Floats
) -> Floats:
    """How far the expected readings move with one standard deviation of each number that varies: (n, m, v) in mT.

    Its outer products, summed over the last axis, are what the covariance of a reading has beside its noise.
    """
    return rows.by_build(layout, parameters, tangents_of(parameters, varying), positions)


def tangents_of(parameters: Parameters, varying: tuple[Parameter, ...]) -> Parameters:
    """Changes of a rig's numbers by one standard deviation of each that varies."""
    return tangents(parameters, varying, np.diag([one.sd for one in varying]))


def shift(
    layout: Layout, parameters: Parameters, variance_mT2: Floats, varying: tuple[Parameter, ...], positions: Floats
) -> Floats:
    """How far fixes move with one standard deviation of each number that varies, which their weight holds.

    Args:
        layout: the rig's arrangement.
        parameters: its numbers.
        variance_mT2: (m,) of each value of a reading.
        varying: v numbers, as of `rig.assemble.varying_of`.
        positions: (n, d).

    Returns:
        (n, d, v), in each joint's unit.
    """
    moved = readings_by_drift(layout, parameters, varying, positions)
    _, per_mT, _ = predict(layout, parameters, variance_mT2, positions, moved)
    found: Floats = per_mT @ moved
    return found
