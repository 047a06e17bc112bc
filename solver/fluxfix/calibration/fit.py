"""Fit a build to held stops: damped Gauss–Newton steps with priors and the stops' own errors.

A stop's reading is off by noise, and by the error of its reference position, which moves the expected reading along its
derivative J = dh/dq. With S the covariance of the reference, the residual has the covariance C = noise + J S Jᵀ: to
first order the same as fitting every stop's true position beside the build, since linear nuisance parameters may be
integrated out. Source: Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, ch. 14.

J moves with the build. The residuals are weighted anew after each step (iteratively reweighted least squares; Green,
J. R. Statist. Soc. B 46, 149, 1984), and a step is judged under the weights that it was made with: judged under its
own, a step that only lowers the weights would look like a better fit.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.stops import Observations
from fluxfix.rig import rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameter, Parameters, of_build, tangents

MOST_STEPS = 50
AT_REST = 1e-8
"""The fit is at rest when its step is below 1e-4 posterior sd (this is the square), inflated where it is poor."""
DETERMINED = 0.9
"""A recording determines a parameter when the posterior sd is at most this part of the prior's."""

_FIRST_DAMPING = 1e-3
_MOST_DAMPING = 1e12


@dataclass(frozen=True)
class Fit:
    """A fitted build. p parameters, k stops, m values in a reading."""

    parameters: tuple[Parameter, ...]
    deviations: NDArray[np.float64]  # (p,) from nominal
    covariance: NDArray[np.float64]  # (p, p), posterior
    residuals_mT: NDArray[np.float64]  # (k, m): mean reading less model, at the reference position
    chi_square: float  # of the residuals, priors left out
    dof: float  # values less what the data had to determine: km less the trace of the fit's influence
    converged: bool

    @property
    def sd(self) -> NDArray[np.float64]:
        """Posterior standard deviations, (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def in_prior_sd(self) -> NDArray[np.float64]:
        """How many sd of its tolerance each parameter deviates, (p,)."""
        found: NDArray[np.float64] = self.deviations / np.array([parameter.sd for parameter in self.parameters])
        return found

    @property
    def determined(self) -> NDArray[np.bool_]:
        """Whether the recording tells clearly more of each parameter than the drawing did, (p,)."""
        return self.sd <= DETERMINED * np.array([parameter.sd for parameter in self.parameters])

    @property
    def reduced(self) -> float:
        """Chi-square over its degrees of freedom: about 1 where the model holds."""
        return self.chi_square / max(self.dof, 1.0)

    @property
    def strain(self) -> float:
        """Chi-square of residuals and priors together, over the number of values.

        About 1 where both hold: the sum at its minimum is chi-square with as many degrees of freedom as there are
        values. A fit that meets the readings only by leaving the tolerances far behind has a large strain.
        """
        return (self.chi_square + float(np.sum(np.square(self.in_prior_sd)))) / self.residuals_mT.size


class _Local(NamedTuple):
    """The problem linearised at one build; parameters in units of their prior sd."""

    residuals_mT: NDArray[np.float64]  # (k, m)
    white: NDArray[np.float64]  # (k, m, m)
    slope: NDArray[np.float64]  # (k, m, p)

    @property
    def residual(self) -> NDArray[np.float64]:
        """White residuals, (km,)."""
        return _whitened(self.white, self.residuals_mT)

    @property
    def jacobian(self) -> NDArray[np.float64]:
        """Their derivatives, (km, p)."""
        white = self.white @ self.slope
        return white.reshape(-1, white.shape[-1])


def fit(
    layout: Layout,
    nominal: Parameters,
    which: tuple[Parameter, ...],
    observations: Observations,
    *,
    steps: int = MOST_STEPS,
) -> Fit:
    """Fit the build that explains the stops, starting from nominal.

    Args:
        layout: the rig's arrangement.
        nominal: the drawing's numbers.
        which: the parameters to fit, each with a prior sd above 0; that of a uniform tolerance is its limit / √3.
        observations: the stops.
        steps: the most steps to take.
    """
    prior_sd = np.array([parameter.sd for parameter in which])
    # Everything is scaled by the prior sd: the prior's information is then the unit matrix.
    units = tangents(nominal, which, np.diag(prior_sd))
    eye = np.eye(len(which))

    def linearise(scaled: NDArray[np.float64]) -> _Local:
        build = of_build(nominal, which, scaled * prior_sd)
        values, by_position = rows.by_position(layout, build, observations.reference)
        by_build = rows.by_build(layout, build, units, observations.reference)
        return _Local(observations.readings_mT - values, _whitening(by_position, observations), by_build)

    scaled: NDArray[Any] = np.zeros(len(which))
    damping, converged = _FIRST_DAMPING, False
    here = linearise(scaled)
    for _ in range(steps):
        residual, jacobian = here.residual, here.jacobian
        before = float(residual @ residual + scaled @ scaled)
        information = jacobian.T @ jacobian + eye
        gradient = jacobian.T @ residual - scaled
        if gradient @ np.linalg.solve(information, gradient) < AT_REST * max(1.0, before / residual.size):
            converged = True
            break
        trial = scaled + np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient)
        there = linearise(trial)
        after = np.sum(np.square(_whitened(here.white, there.residuals_mT))) + trial @ trial
        if after < before:
            scaled, here, damping = trial, there, damping * 0.1
        elif damping < _MOST_DAMPING:
            damping *= 10.0
        else:
            break
    residual, jacobian = here.residual, here.jacobian
    data = jacobian.T @ jacobian
    posterior: NDArray[Any] = np.linalg.inv(data + eye)
    return Fit(
        parameters=which,
        deviations=scaled * prior_sd,
        covariance=posterior * np.outer(prior_sd, prior_sd),
        residuals_mT=here.residuals_mT,
        chi_square=float(residual @ residual),
        dof=residual.size - float(np.trace(posterior @ data)),
        converged=converged,
    )


def _whitened(white: NDArray[np.float64], residuals_mT: NDArray[np.float64]) -> NDArray[np.float64]:
    found: NDArray[np.float64] = np.einsum("kij,kj->ki", white, residuals_mT).reshape(-1)
    return found


def _whitening(by_position: NDArray[np.float64], observations: Observations) -> NDArray[np.float64]:
    """The inverse of a Cholesky factor of each stop's covariance: (k, m, m)."""
    moved = by_position * observations.reference_sd[:, None, :]
    covariance = moved @ np.swapaxes(moved, 1, 2)
    m = covariance.shape[1]
    covariance[:, np.arange(m), np.arange(m)] += observations.variance_mT2
    inverse: NDArray[np.float64] = np.linalg.inv(np.linalg.cholesky(covariance))
    return inverse
