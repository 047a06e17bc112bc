"""How far readings and fixes move with the temperature, against the strength's own law and a small least squares."""

import numpy as np

from fluxfix.inverse import drift
from fluxfix.rig import assemble
from rig import texts

COEFFICIENT = -0.002
RIG = texts.rig(
    texts.SLIDE.replace(
        "remanence_mT = 1250", f"remanence_mT = 1250\nremanence_temperature_coefficient_per_K = {COEFFICIENT}"
    )
    + "[surroundings]\ntemperature_C = [0, 60]\n"
)
VARYING = assemble.varying_of(RIG.file)
AT = np.array([[-4.0], [1.0], [5.0]])

ROUND_OFF = 1e-11
DIFFERENCES = 1e-6  # central differences of 1e-4 mm


def test_readings():
    """All readings drift by the strength's part, one sd of a temperature uniform over 60 K (GUM, 4.3.7)."""
    moved = drift.readings_by_drift(RIG.layout, RIG.parameters, VARYING, AT)[:, :, 0]
    part = COEFFICIENT / (1.0 + 10.0 * COEFFICIENT) * 60.0 / np.sqrt(12.0)

    assert np.allclose(moved, part * RIG.readings(AT), rtol=ROUND_OFF, atol=ROUND_OFF)


def test_fixes():
    """A fix moves by what least squares makes of that drift, weighted by the inverse of the reading's covariance.

    Source: Aitken, Proc. Roy. Soc. Edinburgh 55, 42, 1935.
    """
    step = 1e-4
    slope = (RIG.readings(AT + step) - RIG.readings(AT - step)) / (2.0 * step)
    variance = np.array([0.001, 0.002, 0.003])
    moved = drift.readings_by_drift(RIG.layout, RIG.parameters, VARYING, AT)[:, :, 0]
    weight = np.linalg.inv(np.diag(variance) + moved[:, :, None] * moved[:, None, :])
    weighted = np.einsum("nij,nj->ni", weight, slope)
    expected = np.sum(weighted * moved, axis=1) / np.sum(weighted * slope, axis=1)

    found = drift.shift(RIG.layout, RIG.parameters, variance, VARYING, AT)[:, 0, 0]
    assert np.allclose(found, expected, rtol=DIFFERENCES, atol=0)


def test_nothing_varies():
    """A rig that states no temperature has no drift."""
    plain = texts.rig(texts.SLIDE)

    assert drift.readings_by_drift(plain.layout, plain.parameters, (), AT).shape == (3, 3, 0)
