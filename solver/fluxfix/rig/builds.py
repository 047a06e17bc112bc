"""Builds: one unit of a rig, off its drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fluxfix.rig import assemble
from fluxfix.rig.parameters import Parameter, Parameters, covariance_root, of_build, tangents

if TYPE_CHECKING:
    from fluxfix import rigfile


@dataclass(frozen=True)
class Build:
    """One unit: which parameters deviate from the drawing, by how much, and how well that is known."""

    parameters: tuple[Parameter, ...]
    deviations: NDArray[np.float64]  # (p,)
    covariance: NDArray[np.float64]  # (p, p)

    def of(self, drawn: Parameters) -> Parameters:
        """The numbers of the unit, from those of the drawing."""
        return of_build(drawn, self.parameters, self.deviations)

    def tangents(self, parameters: Parameters) -> Parameters:
        """The columns of a root of the covariance, as changes of a rig's numbers."""
        return tangents(parameters, self.parameters, covariance_root(self.covariance))


AS_DRAWN = Build((), np.zeros(0), np.zeros((0, 0)))


def stated(file: rigfile.RigFile) -> Build:
    """The build that the file's [calibration] states; none where there is no such table."""
    if file.calibration is None:
        return AS_DRAWN
    which = assemble.by_address(file, list(file.calibration.parameters))
    p = len(which)
    covariance = np.zeros((p, p))
    covariance[np.tril_indices(p)] = file.calibration.covariance
    covariance = covariance + np.tril(covariance, -1).T
    return Build(which, np.array(file.calibration.values), covariance)


def drawn(file: rigfile.RigFile, seed: int) -> Build:
    """A build drawn from the tolerances, known without error."""
    which = assemble.loose_of(file)
    rng = np.random.default_rng(seed)
    normal, uniform = rng.standard_normal(len(which)), rng.uniform(-1.0, 1.0, len(which))
    deviations = [
        u * p.limit if p.limit is not None else n * p.sd for n, u, p in zip(normal, uniform, which, strict=True)
    ]
    return Build(which, np.array(deviations), np.zeros((len(which), len(which))))


def loose(file: rigfile.RigFile) -> Build:
    """The drawing, with the covariance of its tolerances."""
    which = assemble.loose_of(file)
    return Build(which, np.zeros(len(which)), np.diag([parameter.sd**2 for parameter in which]))
