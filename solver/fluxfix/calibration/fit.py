"""Fit a build to what a bench saw: damped Gauss–Newton steps with priors and the references' own errors.

The slopes by position move with the build, and the weights with them. The residuals are weighted anew after each step
(iteratively reweighted least squares; Green, J. R. Statist. Soc. B 46, 149, 1984), and a step is judged under the
weights that it was made with: judged under its own, a step that only lowers the weights would look like a better fit.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.calibration.priors import Priors, at_first, beside_data
from fluxfix.calibration.problem import Linear, Problem
from fluxfix.rig.parameters import Parameter

Floats = NDArray[np.float64]

MOST_STEPS = 50
AT_REST = 1e-8
"""The fit is at rest when its step is below 1e-4 posterior sd (this is the square), inflated where it is poor."""
DETERMINED = 0.9
"""A recording determines a parameter when the posterior sd is at most this part of the prior's."""
ROUNDS = 6
"""Times that what stands for uniform tolerances is found anew after a fit; two or three are enough."""

_FIRST_DAMPING = 1e-3
_MOST_DAMPING = 1e12


@dataclass(frozen=True)
class Fit:
    """A fitted build. p parameters, k rows (stops or samples), m values in a reading."""

    parameters: tuple[Parameter, ...]
    deviations: Floats  # (p,) from nominal
    covariance: Floats  # (p, p), posterior
    local: Linear  # the problem linearised there
    priors: Priors
    chi_square: float  # of the residuals, priors left out
    dof: float  # what the rows tell less what they had to determine: Σ told less the trace of the fit's influence
    converged: bool

    @property
    def residuals_mT(self) -> Floats:
        """(k, m): reading less model, at the reference position."""
        return self.local.residuals_mT

    @property
    def sd(self) -> Floats:
        """Posterior standard deviations, (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def prior_sd(self) -> Floats:
        """Standard deviations of the tolerances, (p,)."""
        return np.array([parameter.sd for parameter in self.parameters])

    @property
    def in_prior_sd(self) -> Floats:
        """How many sd of its tolerance each parameter deviates, (p,)."""
        found: Floats = self.deviations / self.prior_sd
        return found

    @property
    def determined(self) -> NDArray[np.bool_]:
        """Whether the recording tells clearly more of each parameter than the drawing did, (p,)."""
        return self.sd <= DETERMINED * self.prior_sd

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


def fit(problem: Problem, *, start: Floats | None = None, steps: int = MOST_STEPS) -> Fit:
    """Fit the build that explains what was seen.

    Args:
        problem: what to fit.
        start: deviations (p,) to start from; by default the drawing.
        steps: the most steps to take.
    """
    scaled = np.zeros(len(problem.which)) if start is None else start / problem.prior_sd
    priors = at_first(problem.which)
    scaled, here, converged = _descend(problem, priors, scaled, steps)
    for _ in range(ROUNDS if priors.boxed else 0):
        data = here.slope.T @ here.slope
        old, priors = priors, beside_data(priors, data, here.slope.T @ here.residual + data @ scaled)
        scaled, here, converged = _descend(problem, priors, scaled, steps)
        if np.max(np.abs(priors.precision - old.precision)) < 1e-3 * np.max(priors.precision):
            break
    return _fitted(problem, priors, scaled, here, converged)


def widened(found: Fit, added: tuple[Parameter, ...]) -> Fit:
    """The same fit with further parameters, that it left out and that keep their tolerance."""
    p, more = len(found.deviations), len(added)
    sd = np.array([parameter.sd for parameter in added])
    covariance = np.zeros((p + more, p + more))
    covariance[:p, :p], covariance[p:, p:] = found.covariance, np.diag(np.square(sd))
    first, jacobian = at_first(added), found.local.jacobian
    return replace(
        found,
        parameters=(*found.parameters, *added),
        deviations=np.concatenate([found.deviations, np.zeros(more)]),
        covariance=covariance,
        local=found.local._replace(jacobian=np.concatenate([jacobian, np.zeros((*jacobian.shape[:2], more))], axis=2)),
        priors=Priors(*(np.concatenate(pair) for pair in zip(found.priors, first, strict=True))),
    )


def _descend(problem: Problem, priors: Priors, scaled: Floats, steps: int) -> tuple[Floats, Linear, bool]:
    """Steps from deviations in prior sd to where they are at rest, and whether they came to it."""
    here, damping = problem.linearise(scaled), _FIRST_DAMPING
    for _ in range(steps):
        residual, slope = here.residual, here.slope
        before = float(residual @ residual) + priors.cost(scaled)
        information = slope.T @ slope + np.diag(priors.precision)
        gradient = slope.T @ residual + priors.gradient(scaled)
        if gradient @ np.linalg.solve(information, gradient) < AT_REST * max(1.0, before / residual.size):
            return scaled, here, True
        trial = scaled + np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient)
        there = problem.linearise(trial)
        after = float(np.sum(np.square(here.weight.whiten(there.residuals_mT)))) + priors.cost(trial)
        if after < before:
            scaled, here, damping = trial, there, damping * 0.1
        elif damping < _MOST_DAMPING:
            damping *= 10.0
        else:
            break
    return scaled, here, False


def _fitted(problem: Problem, priors: Priors, scaled: Floats, here: Linear, converged: bool) -> Fit:
    data = here.slope.T @ here.slope
    posterior = np.linalg.inv(data + np.diag(priors.precision))
    return Fit(
        parameters=problem.which,
        deviations=scaled * problem.prior_sd,
        covariance=posterior * np.outer(problem.prior_sd, problem.prior_sd),
        local=here,
        priors=priors,
        chi_square=float(here.residual @ here.residual),
        dof=int(np.sum(problem.seen.told)) - float(np.trace(posterior @ data)),
        converged=converged,
    )
