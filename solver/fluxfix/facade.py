"""The object that users hold: a rig with its model and its inverse.

NumPy in and out; arguments are checked here and nowhere below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix import rigfile
from fluxfix.errors import ArgumentError, RigFileError, UnsupportedError
from fluxfix.inverse import predict, prepare, solver
from fluxfix.inverse.fixes import Fixes
from fluxfix.rig import assemble, clearance, refusals, travel
from fluxfix.rig import rows as model_rows
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameter, Parameters, covariance_root, of_build, tangents
from fluxfix.rig.sensing import Sensing, convert
from fluxfix.rig.travel import SolvedJoint

MOST_JOINTS = 4
_CLEARANCE_POINTS = {1: 201, 2: 41, 3: 15, 4: 9}


@dataclass(frozen=True)
class Build:
    """One unit: which parameters deviate from the drawing, by how much, and how well that is known."""

    parameters: tuple[Parameter, ...]
    deviations: NDArray[np.float64]  # (p,)
    covariance: NDArray[np.float64]  # (p, p)


class Rig:
    """One arrangement of magnets, sensors and joints: readings from positions, and positions from readings.

    Uses the calibrated build where the rig file has one; `nominal()` gives the drawing.
    """

    def __init__(self, file: rigfile.RigFile, build: Build | None = None) -> None:
        self.file = file
        self._build = _build_of(file) if build is None else build

    @property
    def name(self) -> str:
        """The rig's name."""
        return self.file.name

    @property
    def text(self) -> str:
        """The rig file's text."""
        return self.file.text

    @property
    def sha256(self) -> str:
        """Hash of the rig file."""
        return self.file.sha256

    @property
    def calibrated(self) -> bool:
        """Whether the rig is solved with a build that a calibration found."""
        return len(self._build.parameters) > 0

    @property
    def build(self) -> Build:
        """The build in use; without parameters where it is the drawing."""
        return self._build

    @cached_property
    def joints(self) -> tuple[SolvedJoint, ...]:
        """The joints that have a position, in the rig's order."""
        return assemble.joints_of(self.file)

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """What a reading holds, in order, as the columns of a recording call it."""
        return assemble.columns_of(self.file)

    @cached_property
    def layout(self) -> Layout:
        """What shapes the computation.

        Raises:
            UnsupportedError: a key of the rig is not computed yet.
        """
        refusals.refuse(self.file, refusals.for_field(self.file))
        if not self.file.magnet:
            raise UnsupportedError(f"{self.file.source}: has no magnet, needs at least one to compute readings")
        if len(self.joints) > MOST_JOINTS:
            raise UnsupportedError(
                f"{self.file.source}: has {len(self.joints)} joints to solve for, at most {MOST_JOINTS} can be"
            )
        return assemble.layout_of(self.file)

    @cached_property
    def parameters(self) -> Parameters:
        """The numbers of the build in use."""
        drawn = assemble.parameters_of(self.file)
        return of_build(drawn, self._build.parameters, self._build.deviations)

    @cached_property
    def sensing(self) -> Sensing:
        """Noise, steps and limits of each value of a reading."""
        return assemble.sensing_of(self.file)

    @cached_property
    def clearance(self) -> tuple[float, NDArray[np.float64]]:
        """The smallest distance in mm of a sensor element from a magnet's surface over the travel, and where it is."""
        positions = travel.grid(self.joints, _CLEARANCE_POINTS.get(len(self.joints), 1), widened=False)
        distance, where = clearance.smallest(self.layout, self.parameters, positions)
        # Look again, finer, around the closest place of the coarse grid.
        steps = [joint.span / (_CLEARANCE_POINTS[len(self.joints)] - 1) for joint in self.joints]
        near = [
            np.clip(w + np.linspace(-s, s, 21), j.low, j.high)
            for w, s, j in zip(where, steps, self.joints, strict=True)
        ]
        if 0 < len(near) <= 2:
            fine = np.stack([part.reshape(-1) for part in np.meshgrid(*near, indexing="ij")], axis=-1)
            distance, where = min(
                (distance, where), clearance.smallest(self.layout, self.parameters, fine), key=lambda found: found[0]
            )
        return distance, where

    @cached_property
    def solver(self) -> solver.Solver:
        """Everything that solving needs, made at the first use.

        Raises:
            RigFileError: a sensor element comes inside a magnet on the travel.
        """
        if not self.joints:
            raise UnsupportedError(
                f"{self.file.source}: has no joint, so there is no position to solve for: add a [[joint]]"
            )
        self.check_clearance()
        loose = NO_BUILD
        if not self.calibrated:
            which = assemble.loose_of(self.file)
            loose = Build(which, np.zeros(len(which)), np.diag([parameter.sd**2 for parameter in which]))
        known = self._tangents(self._build)
        return prepare.prepare(
            self.layout,
            self.joints,
            self.parameters,
            self.sensing,
            known,
            known if self.calibrated else self._tangents(loose),
        )

    def check_clearance(self) -> None:
        """Refuse a rig whose sensor comes inside a magnet.

        Raises:
            RigFileError: it does.
        """
        distance, where = self.clearance
        if distance <= 0.0:
            place = ", ".join(f"{j.name} {w:.4g} {j.unit}" for j, w in zip(self.joints, where, strict=True)) or "home"
            raise RigFileError(
                f"{self.file.source}: a sensor element comes {-distance:.3g} mm inside a magnet at {place}, needs to "
                "stay outside over the whole travel: move the sensor or the magnet, or shorten the travel",
                distance_mm=distance,
            )

    def nominal(self) -> Rig:
        """The same rig with the drawing's numbers."""
        return Rig(self.file, NO_BUILD)

    def drawn(self, seed: int) -> Rig:
        """The same rig with a build drawn from its tolerances."""
        which = assemble.tolerances_of(self.file)
        rng = np.random.default_rng(seed)
        normal, uniform = rng.standard_normal(len(which)), rng.uniform(-1.0, 1.0, len(which))
        deviations = [
            u * p.limit if p.limit is not None else n * p.sd for n, u, p in zip(normal, uniform, which, strict=True)
        ]
        return Rig(self.file, Build(which, np.array(deviations), np.zeros((len(which), len(which)))))

    def readings(self, positions: ArrayLike) -> NDArray[np.float64]:
        """Readings at positions, without noise, saturation or rounding.

        Args:
            positions: (n, d) or (d,), in each joint's unit.

        Returns:
            (n, m) or (m,) in mT.

        Raises:
            ArgumentError: the shape is wrong, or a position is not finite.
        """
        rows, single = self._rows(
            positions, len(self.joints), "positions", ", ".join(joint.name for joint in self.joints)
        )
        if not np.all(np.isfinite(rows)):
            raise ArgumentError(
                f"got positions that are not finite, rig {self.name} needs finite numbers: leave out NaN and inf"
            )
        found = model_rows.readings(self.layout, self.parameters, rows)
        return found[0] if single else found

    def simulate(
        self, positions: ArrayLike, seed: int | Sequence[int], noise_mT: ArrayLike | None = None
    ) -> NDArray[np.float64]:
        """Readings at positions as the sensors give them: with noise, rounded to steps, clipped to their range.

        Args:
            positions: (n, d) or (d,), in each joint's unit.
            seed: of the noise; as for numpy.random.default_rng.
            noise_mT: in place of the rig's noise of one conversion; a number or one for each value.

        Returns:
            (n, m) or (m,) in mT.
        """
        exact = self.readings(positions)
        sensing = self.sensing if noise_mT is None else self._with_noise(noise_mT)
        return convert(sensing, exact, np.random.default_rng(seed))

    def solve(self, readings: ArrayLike, noise_mT: ArrayLike | None = None, exact: bool = False) -> Fixes:  # noqa: ARG002 both models are one until there is a fast form
        """Estimate positions from readings.

        Args:
            readings: (n, m) or (m,) in mT, in the order of `columns`. A reading with a NaN is not measured; an
                infinite value counts as saturated.
            noise_mT: in place of the rig's noise of one conversion; a number or one for each value.
            exact: use the exact model, which is the only one so far.

        Returns:
            Fixes with n rows, or one without the first axis.

        Raises:
            ArgumentError: the shape is wrong, or the noise is negative.
        """
        rows, single = self._rows(readings, len(self.columns), "values", ", ".join(self.columns))
        noise = None if noise_mT is None else np.asarray(self._with_noise(noise_mT).noise_mT)
        fixes = solver.solve(self.solver, rows, noise)
        return fixes[0] if single else fixes

    def predict(self, positions: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """What accuracy one reading gives at positions.

        Args:
            positions: (n, d), in each joint's unit.

        Returns:
            Expected readings (n, m); how far a fix moves per mT of each value (n, d, m); the Cramér–Rao bound of its
            covariance (n, d, d).
        """
        rows, _ = self._rows(positions, len(self.joints), "positions", ", ".join(joint.name for joint in self.joints))
        return predict.predict(self.layout, self.parameters, np.asarray(self.sensing.variance_mT2), rows)

    def strength_note(self) -> str:
        """The sentence that says what taking the magnet's strength as exact can cost."""
        positions = travel.places(self.joints)
        expected, per_mT, _ = self.predict(positions)
        worst = np.max(np.abs(0.01 * np.einsum("ndm,nm->nd", per_mT, expected)), axis=0)
        shifts = ", ".join(
            f"{joint.name} by up to {shift:.2g} {joint.unit}" for joint, shift in zip(self.joints, worst, strict=True)
        )
        return f"magnet strength taken as exact: 1 % would shift {shifts}"

    def _tangents(self, build: Build) -> Parameters:
        return tangents(self.parameters, build.parameters, covariance_root(build.covariance))

    def _with_noise(self, noise_mT: ArrayLike) -> Sensing:
        try:
            noise = np.broadcast_to(np.asarray(noise_mT, dtype=np.float64), (len(self.columns),))
        except (TypeError, ValueError):
            noise = np.array([np.nan])
        if not np.all(np.isfinite(noise) & (noise >= 0.0)):
            raise ArgumentError(
                f"got noise_mT = {noise_mT!r}, needs finite numbers of at least 0, one for all or one for each value"
            )
        return Sensing(noise, self.sensing.step_mT, self.sensing.code_low, self.sensing.code_high)

    def _rows(self, values: ArrayLike, width: int, what: str, names: str) -> tuple[NDArray[np.float64], bool]:
        try:
            array = np.asarray(values, dtype=np.float64)
        except (TypeError, ValueError):
            raise ArgumentError(
                f"got {what} that are not numbers, rig {self.name} needs rows of {width}: {names}"
            ) from None
        if array.ndim not in (1, 2) or array.shape[-1] != width:
            got = " × ".join(map(str, array.shape)) or "a single number"
            raise ArgumentError(
                f"got {what} of shape {got}, rig {self.name} needs rows of {width}: {names}", width=width
            )
        return np.atleast_2d(array), array.ndim == 1


NO_BUILD = Build((), np.zeros(0), np.zeros((0, 0)))


def _build_of(file: rigfile.RigFile) -> Build:
    """The build that the file's [calibration] states; none where there is no such table."""
    if file.calibration is None:
        return NO_BUILD
    which = assemble.by_address(file, list(file.calibration.parameters))
    p = len(which)
    covariance = np.zeros((p, p))
    covariance[np.tril_indices(p)] = file.calibration.covariance
    covariance = covariance + np.tril(covariance, -1).T
    return Build(which, np.array(file.calibration.values), covariance)
