"""Tolerances as priors: normal ones as they are, uniform ones by the normal factor that stands best for them.

Inside its limits a uniform tolerance says nothing, and beyond them nothing is possible. What is left of it beside the
data is found by expectation propagation: for each such parameter a normal factor with which the posterior has the mean
and the variance that the box gives it, all others held as found. Sources: Minka, Proc. UAI 2001, 362; Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, section 3.6.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig.parameters import Parameter

Floats = NDArray[np.float64]

SWEEPS = 50
AT_REST = 1e-4
"""Factors are found when no mean moves by more than this part of its sd, nor any sd by this part of itself."""

_LEAST = 1e-6
"""Least precision of a factor and of what the data say, in prior sd⁻²: keeps every matrix positive."""


class Priors(NamedTuple):
    """Normal factors, one for each of p parameters; everything in prior sd."""

    precision: Floats  # (p,)
    mean: Floats  # (p,)
    limit: Floats  # (p,) half width of a uniform tolerance, inf for a normal one

    @property
    def boxed(self) -> bool:
        """Whether any tolerance is uniform."""
        return bool(np.any(np.isfinite(self.limit)))

    def cost(self, scaled: Floats) -> float:
        """Their part of the sum of squares at deviations (p,)."""
        return float(np.sum(self.precision * np.square(scaled - self.mean)))

    def gradient(self, scaled: Floats) -> Floats:
        """Half of its negative gradient."""
        return self.precision * (self.mean - scaled)


def at_first(which: tuple[Parameter, ...]) -> Priors:
    """Factors of the tolerances' own means and sd."""
    limit = [np.inf if one.limit is None else one.limit / one.sd for one in which]
    return Priors(np.ones(len(which)), np.zeros(len(which)), np.array(limit))


def beside_data(priors: Priors, information: Floats, pull: Floats) -> Priors:
    """The factors that stand for uniform tolerances beside data.

    Args:
        priors: those to begin with.
        information: (p, p) of the data alone, in prior sd⁻².
        pull: (p,): information times the deviations that the data alone would give.
    """
    precision, mean = priors.precision.copy(), priors.mean.copy()
    boxed = np.flatnonzero(np.isfinite(priors.limit))
    for _ in range(SWEEPS):
        covariance = np.linalg.inv(information + np.diag(precision))
        found = covariance @ (pull + precision * mean)
        variance = np.diag(covariance)
        without = np.maximum(1.0 / variance - precision, _LEAST)
        centre = (found / variance - precision * mean) / without
        means, variances = _in_box(centre[boxed], 1.0 / without[boxed], priors.limit[boxed])
        own = np.maximum(1.0 / variances - without[boxed], _LEAST)
        precision[boxed] = own
        mean[boxed] = (means / variances - without[boxed] * centre[boxed]) / own
        moved = np.abs(means - found[boxed]) / np.sqrt(variances)
        grown = np.abs(variances / variance[boxed] - 1.0)
        if max(np.max(moved), np.max(grown)) < AT_REST:
            break
    return Priors(precision, mean, priors.limit)


def _in_box(mean: Floats, variance: Floats, limit: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of normal distributions that are cut off at ± a limit.

    Source: Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions, vol. 1, 1994, ch. 13.
    """
    from scipy import special  # noqa: PLC0415 few rigs have uniform tolerances

    sd = np.sqrt(variance)
    # Mirrored to a mean of at least 0: the tail that counts is then always the same.
    sign = np.where(mean < 0.0, -1.0, 1.0)
    centre = sign * mean
    low, high = (-limit - centre) / sd, (limit - centre) / sd
    inside = special.log_ndtr(high) + np.log1p(-np.exp(special.log_ndtr(low) - special.log_ndtr(high)))
    at_low = np.exp(-0.5 * (low**2 + np.log(2.0 * np.pi)) - inside)
    at_high = np.exp(-0.5 * (high**2 + np.log(2.0 * np.pi)) - inside)
    shift = at_low - at_high
    spread = 1.0 + low * at_low - high * at_high - shift**2
    return sign * (centre + sd * shift), variance * np.clip(spread, 1e-6, 1.0)
