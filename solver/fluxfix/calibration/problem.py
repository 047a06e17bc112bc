"""What a calibration fits, linearised at one build: residuals, their weight, and their slope by every parameter.

A row's reading is off by noise, and by the error of its reference position, which moves the expected reading along its
derivative J = dh/dq. With S the covariance of the reference, the residuals of the rows that share a reference error
have the covariance noise + J S Jᵀ: to first order the same as fitting every true position beside the build, since
linear nuisance parameters may be integrated out. Source: Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, ch. 14.
"""

from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration import warm
from fluxfix.calibration.stops import Observations
from fluxfix.rig import rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameter, Parameters, of_build, tangents

Floats = NDArray[np.float64]

DELAY = "sensor_delay_us"
"""Stands as the field of a parameter outside the model: how much later than the reference a sensor tells."""


@dataclass(frozen=True)
class Problem:
    """Everything that a fit needs to know. p parameters, k rows, m values in a reading."""

    layout: Layout
    nominal: Parameters  # the drawing's numbers
    which: tuple[Parameter, ...]  # those fitted, each with a prior sd above 0; that of a uniform one is limit / √3
    seen: Observations
    late_us: Floats  # (m,) how much later than its row's time each value is converted

    @property
    def prior_sd(self) -> Floats:
        """(p,), each in its parameter's unit."""
        return np.array([parameter.sd for parameter in self.which])

    def build(self, deviations: Floats) -> Parameters:
        """The numbers of a build that deviates from nominal by (p,)."""
        own, which = self._of_model()
        return of_build(self.nominal, which, deviations[own])

    def shift_us(self, deviations: Floats) -> Floats:
        """How much later than its row's time the position is that each value tells: (m,) in µs."""
        delay = np.zeros(len(self.layout.sensors))
        for parameter, deviation in zip(self.which, deviations, strict=True):
            if parameter.field == DELAY:
                delay[parameter.index[0]] = deviation
        return self.late_us - delay[sensor_of_value(self.layout)]

    def linearise(self, scaled: Floats) -> "Linear":
        """Linearise at a build, given by its deviations (p,) in prior sd."""
        expected = self.expected(scaled)
        return linear(
            self.seen, self.seen.readings_mT - expected.values_mT, expected.by_position, expected.by_parameter
        )

    def expected(self, scaled: Floats) -> "Expected":
        """What a build should read, given by its deviations (p,) in prior sd."""
        deviations = scaled * self.prior_sd
        build, shift_us = self.build(deviations), self.shift_us(deviations)
        own, which = self._of_model()
        units = tangents(self.nominal, which, np.diag([parameter.sd for parameter in which]))
        k, m = self.seen.readings_mT.shape
        values, slope = np.empty((k, m)), np.empty((k, m, self.seen.reference.shape[1]))
        by_build = np.zeros((k, m, len(self.which)))
        delays = [(j, one.index[0], one.sd) for j, one in enumerate(self.which) if one.field == DELAY]
        of_value = sensor_of_value(self.layout)
        for shift in np.unique(shift_us):
            now = shift_us == shift
            positions, velocities = positions_at(self.seen, float(shift))
            evaluate = partial(self._evaluate, build, units, positions)
            found = warm.over_rows(self._temperatures(), evaluate)
            values[:, now], slope[:, now] = found[0][:, now], found[1][:, now]
            by_build[np.ix_(np.arange(k), now, own)] = found[2][:, now]
            for j, sensor, sd in delays:
                mine = now & (of_value == sensor)
                by_build[:, mine, j] = -1e-6 * sd * np.einsum("kmd,kd->km", slope[:, mine], velocities)
        return Expected(values, slope, by_build)

    def _temperatures(self) -> Floats:
        told: Floats = self.seen.temperature_C
        return np.where(np.isfinite(told), told, float(self.nominal.temperature_C))

    def _evaluate(
        self, build: Parameters, units: Parameters, positions: Floats, temperature_C: float
    ) -> tuple[Floats, Floats, Floats]:
        at = replace(build, temperature_C=np.array(temperature_C))
        values, slope = rows.by_position(self.layout, at, positions)
        return values, slope, rows.by_build(self.layout, at, units, positions)

    def _of_model(self) -> tuple[NDArray[np.intp], tuple[Parameter, ...]]:
        """Which parameters are numbers of the model, and they themselves."""
        own = [j for j, parameter in enumerate(self.which) if parameter.field != DELAY]
        return np.array(own, np.intp), tuple(self.which[j] for j in own)


class Expected(NamedTuple):
    """What a build should read in k rows of m values, d joints, p parameters."""

    values_mT: Floats  # (k, m)
    by_position: Floats  # (k, m, d) in mT per joint unit
    by_parameter: Floats  # (k, m, p) in mT per prior sd


class Linear(NamedTuple):
    """A problem linearised at one build; parameters in units of their prior sd. k rows, m values, p parameters.

    White residuals are independent with variance 1 where the model holds, and sum up by block.
    """

    residuals_mT: Floats  # (k, m) reading less model
    white: Floats  # (k, m) white residuals
    jacobian: Floats  # (k, m, p) change of the model's white values by one prior sd of each parameter
    lone: Floats  # (k,) chi-square of each row by itself: as if its reference error were its own
    weight: "Weight"

    @property
    def residual(self) -> Floats:
        """White residuals as one vector, (km,)."""
        return self.white.reshape(-1)

    @property
    def slope(self) -> Floats:
        """Their derivative, as a matrix, (km, p)."""
        return self.jacobian.reshape(-1, self.jacobian.shape[-1])


class Weight(NamedTuple):
    """What makes residuals white: x → x - A G Σ Aᵀ x, over the rows of a block, with x scaled by the noise.

    With A the slopes by position in units of noise and reference sd, and Σ AᵀA = V s² Vᵀ, this is (1 + A Aᵀ)^(-1/2),
    written so that it needs no division by a small s.
    """

    noise_mT: Floats  # (k, m)
    along: Floats  # (k, m, d): A
    block: NDArray[np.int64]  # (k,)
    gain: Floats  # (b, d, d): G

    def whiten(self, values_mT: Floats) -> Floats:
        """Whiten (k, m, …), such as residuals or their derivatives."""
        more = values_mT.reshape(*self.noise_mT.shape, -1) / self.noise_mT[:, :, None]
        each = np.swapaxes(self.along, 1, 2) @ more
        together = summed(each, self.block, len(self.gain))
        found = more - self.along @ (self.gain @ together)[self.block]
        return np.asarray(found.reshape(values_mT.shape))


def weight_of(seen: Observations, slope: Floats) -> Weight:
    """The weight of rows whose expected readings move by (k, m, d) with the position."""
    noise = np.sqrt(seen.variance_mT2)
    along = slope * seen.reference_sd[:, None, :] / noise[:, :, None]
    own = np.swapaxes(along, 1, 2) @ along
    blocks = int(np.max(seen.block, initial=-1)) + 1
    return Weight(noise, along, seen.block, _gain(summed(own, seen.block, blocks)))


def linear(seen: Observations, residuals_mT: Floats, slope: Floats, by_build: Floats) -> Linear:
    """Weigh residuals (k, m), with slopes by position (k, m, d) and by parameter (k, m, p)."""
    weight = weight_of(seen, slope)
    white = weight.whiten(residuals_mT)
    if len(weight.gain) == len(seen):
        lone = np.sum(np.square(white), axis=1)
    else:
        alone = weight._replace(block=np.arange(len(seen)), gain=_gain(np.swapaxes(weight.along, 1, 2) @ weight.along))
        lone = np.sum(np.square(alone.whiten(residuals_mT)), axis=1)
    return Linear(residuals_mT, white, weight.whiten(by_build), lone, weight)


def summed(each: Floats, block: NDArray[np.int64], blocks: int) -> Floats:
    """Sums of (k, …) over the rows of each block: (b, …)."""
    if len(each) == blocks:
        return np.asarray(each[np.argsort(block)])
    found: Floats = np.zeros((blocks, *each.shape[1:]))
    np.add.at(found, block, each)
    return found


def positions_at(seen: Observations, shift_us: float) -> tuple[Floats, Floats]:
    """Reference positions and velocities of all rows, a time later than their own: (k, d) each."""
    positions, velocities = seen.reference.copy(), np.zeros_like(seen.reference)
    for number, track in enumerate(seen.tracks):
        mine = seen.track == number
        positions[mine], velocities[mine] = track.at(seen.t_s[mine, 0] + 1e-6 * shift_us)
    return positions, velocities


def sensor_of_value(layout: Layout) -> NDArray[np.intp]:
    """Which sensor each value of a reading is of, (m,)."""
    return np.repeat(np.arange(len(layout.sensors)), [len(sensor.axes) for sensor in layout.sensors])


def _gain(squares: Floats) -> Floats:
    """V (1 - 1/√(1 + s²))/s² Vᵀ of symmetric matrices V s² Vᵀ, (b, d, d)."""
    values, vectors = np.linalg.eigh(squares)
    s2 = np.clip(values, 0.0, None)
    root = np.sqrt(1.0 + s2)
    # (1 - 1/√(1 + s²))/s² = 1/(√(1 + s²) (1 + √(1 + s²))): no difference of near numbers.
    return np.asarray((vectors * (1.0 / (root * (1.0 + root)))[:, None, :]) @ np.swapaxes(vectors, 1, 2))
