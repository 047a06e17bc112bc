"""Fit a build to held stops: damped Gauss–Newton steps with priors and the stops' own errors.

A stop's reading is off by noise, and by the error of its reference position, which moves the expected reading along its derivative
J = dh/dq. With S the covariance of the reference, the residual has the covariance C = noise + J S Jᵀ: to first order the same as
fitting every stop's true position beside the build, since linear nuisance parameters may be integrated out.
Source: Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, ch. 14.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibrate.stops import Observations
from fluxfix.rig import rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameter, Parameters, of_build, tangents

MOST_STEPS = 50
AT_REST = 1e-8
"""The fit is at rest when its step is below 1e-4 posterior sd (this is the square)."""


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
        """(p,)"""
        return np.sqrt(np.diag(self.covariance))

    @property
    def determined(self) -> NDArray[np.bool_]:
        """(p,): whether the recording tells more than the drawing did: posterior sd below 0.9 of the prior's."""
        return self.sd <= 0.9 * np.array([parameter.sd for parameter in self.parameters])

    @property
    def reduced(self) -> float:
        """Chi-square over its degrees of freedom: about 1 where the model holds."""
        return self.chi_square / max(self.dof, 1.0)


def fit(layout: Layout, nominal: Parameters, which: tuple[Parameter, ...], observations: Observations) -> Fit:
    """Fit the build that explains the stops, starting from nominal.

    Args:
        layout: the rig's arrangement.
        nominal: the drawing's numbers.
        which: the parameters to fit, each with a prior sd above 0.
        observations: the stops.
    """
    prior_sd = np.array([parameter.sd for parameter in which])
    # Everything is scaled by the prior sd: the prior's information is then the unit matrix.
    units = tangents(nominal, which, np.diag(prior_sd))

    def linearise(scaled: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        build = of_build(nominal, which, scaled * prior_sd)
        values, by_position = rows.by_position(layout, build, observations.reference)
        by_build = rows.by_build(layout, build, units, observations.reference)
        white = _whitening(by_position, observations)
        residual = observations.readings_mT - values
        return residual, np.einsum("kij,kj->ki", white, residual).reshape(-1), _rows(white @ by_build)

    scaled = np.zeros(len(which))
    residual, white_residual, jacobian = linearise(scaled)
    cost = white_residual @ white_residual + scaled @ scaled
    damping, converged = 1e-3, False
    for _ in range(MOST_STEPS):
        information = jacobian.T @ jacobian + np.eye(len(which))
        gradient = jacobian.T @ white_residual - scaled
        plain = np.linalg.solve(information, gradient)
        if gradient @ plain < AT_REST:
            converged = True
            break
        trial = scaled + np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient)
        there = linearise(trial)
        there_cost = there[1] @ there[1] + trial @ trial
        if there_cost < cost:
            scaled, cost, damping = trial, there_cost, damping * 0.1
            residual, white_residual, jacobian = there
        else:
            damping *= 10.0
            if damping > 1e12:
                break
    data = jacobian.T @ jacobian
    posterior = np.linalg.inv(data + np.eye(len(which)))
    return Fit(
        parameters=which,
        deviations=scaled * prior_sd,
        covariance=posterior * np.outer(prior_sd, prior_sd),
        residuals_mT=residual,
        chi_square=float(white_residual @ white_residual),
        dof=white_residual.size - float(np.trace(posterior @ data)),
        converged=converged,
    )


def _whitening(by_position: NDArray[np.float64], observations: Observations) -> NDArray[np.float64]:
    """The inverse of a Cholesky factor of each stop's covariance: (k, m, m)."""
    moved = by_position * observations.reference_sd[:, None, :]
    covariance = moved @ np.swapaxes(moved, 1, 2)
    m = covariance.shape[1]
    covariance[:, np.arange(m), np.arange(m)] += observations.variance_mT2
    return np.linalg.inv(np.linalg.cholesky(covariance))


def _rows(stops: NDArray[np.float64]) -> NDArray[np.float64]:
    return stops.reshape(-1, stops.shape[-1])
