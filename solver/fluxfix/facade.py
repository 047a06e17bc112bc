"""The object that users hold: a rig with its model and its inverse.

NumPy in and out; arguments are checked here and nowhere below.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix import arguments, rigfile
from fluxfix.errors import ArgumentError, UnsupportedError
from fluxfix.inverse import drift, predict, prepare, solver
from fluxfix.inverse import foreign as foreign_field
from fluxfix.inverse.fast.single import Single
from fluxfix.inverse.fast.solve import FastSolver
from fluxfix.inverse.fixes import Fixes
from fluxfix.inverse.foreign import WithForeign
from fluxfix.rig import assemble, builds, clearance, collisions, motion, package, ranges, refusals, sides, travel
from fluxfix.rig import rows as model_rows
from fluxfix.rig.builds import Build
from fluxfix.rig.layout import Layout
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.sensing import Sensing, convert
from fluxfix.rig.travel import SolvedJoint
from fluxfix.tracker import Tracker

__all__ = ["Build", "Rig"]

MOST_JOINTS = 4
ROUND_OFF = 1e-12
"""Part of a joint's span below which a shift is none."""


class Rig:
    """One arrangement of magnets, sensors and joints: readings from positions, and positions from readings.

    Uses the calibrated build where the rig file has one; `nominal()` gives the drawing.
    """

    def __init__(self, file: rigfile.RigFile, build: Build | None = None) -> None:
        self.file = file
        self._build = builds.stated(file) if build is None else build

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
        return self._build.of(assemble.parameters_of(self.file))

    @cached_property
    def ranges(self) -> tuple[ranges.Chosen, ...]:
        """The range that each sensor is set to, by the drawing."""
        return ranges.choose(self.file, self.layout)

    @cached_property
    def sensing(self) -> Sensing:
        """Noise, steps and limits of each value of a reading."""
        return assemble.sensing_of(self.file, [one.range_mT for one in self.ranges])

    @cached_property
    def clearance(self) -> tuple[float, NDArray[np.float64]]:
        """The smallest distance in mm of a sensor element from a magnet's surface over the travel, and where it is."""
        return clearance.over_travel(self.layout, self.parameters, self.joints)

    @cached_property
    def package_clearance(self) -> tuple[float, NDArray[np.float64]] | None:
        """The same less the depth of the element below its package's top, as drawn; None where no depth is stated."""
        depths = assemble.depths_of(self.file)
        if np.all(np.isnan(depths)):
            return None
        return clearance.over_travel(self.layout, assemble.parameters_of(self.file), self.joints, depths)

    @cached_property
    def package_plane_clearance(self) -> tuple[float, NDArray[np.float64]] | None:
        """The same over the whole plane of the package's top: of a package of any width, see `rig.package`."""
        depths = assemble.depths_of(self.file)
        if np.all(np.isnan(depths)):
            return None
        return package.smallest(self.layout, assemble.parameters_of(self.file), self.joints, depths)

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
        known = self._build.tangents(self.parameters)
        return prepare.prepare(
            self.layout,
            self.joints,
            self.parameters,
            self.sensing,
            known,
            known if self.calibrated else builds.loose(self.file).tangents(self.parameters),
            self.varying,
            self.file.limits.false_alarm,
        )

    @cached_property
    def varying(self) -> Parameters:
        """Tangents of `parameters`, one sd of each number that varies unmeasured while the rig is used."""
        return drift.tangents_of(self.parameters, assemble.varying_of(self.file))

    @cached_property
    def plate_clearance(self) -> tuple[float, NDArray[np.float64]]:
        """The smallest distance in mm of a magnet or sensor element from the plate; infinite without one."""
        return sides.clearance(self.layout, self.parameters, self.joints)

    def check_clearance(self) -> None:
        """Refuse a rig in which a magnet meets a sensor, its package as drawn, or the plate.

        Raises:
            RigFileError: it does, somewhere on the travel.
        """
        sides.refuse(self.file.source, self.joints, self.plate_clearance)
        collisions.refuse(self.file, self.joints, collisions.ELEMENT, self.clearance)
        collisions.refuse(self.file, self.joints, collisions.PACKAGE, self.package_clearance)

    def nominal(self) -> Rig:
        """The same rig with the drawing's numbers."""
        return Rig(self.file, builds.AS_DRAWN)

    def drawn(self, seed: int) -> Rig:
        """The same rig with a build drawn from its tolerances."""
        return Rig(self.file, builds.drawn(self.file, seed))

    def readings(
        self, positions: ArrayLike, temperature_C: float | None = None, velocities: ArrayLike | None = None
    ) -> NDArray[np.float64]:
        """Readings at positions, without noise, saturation or rounding.

        Args:
            positions: (n, d) or (d,), in each joint's unit.
            temperature_C: of the rig; without it, the middle of the file's temperature_C, or what all of its numbers
                refer to where it states none.
            velocities: of the same shape, in each joint's unit per second: a sequential sensor's axes then see the
                positions of their own instants. Without them everything is at rest.

        Returns:
            (n, m) or (m,) in mT.

        Raises:
            ArgumentError: the shape is wrong, or a number is not finite.
        """
        rows, single = self._positions(positions)
        sides.refuse(self.file.source, self.joints, self.plate_clearance)
        parameters = self.parameters_at(temperature_C)
        if velocities is None:
            found = model_rows.readings(self.layout, parameters, rows)
        else:
            speeds, _ = self._positions(velocities, "velocities")
            if speeds.shape != rows.shape:
                raise ArgumentError(f"got velocities of {len(speeds)} and positions of {len(rows)} rows, needs as many")
            found = motion.readings(self.layout, parameters, rows, speeds, motion.delays_us(self.file))
        return found[0] if single else found

    def simulate(
        self,
        positions: ArrayLike,
        seed: int | Sequence[int],
        noise_mT: ArrayLike | None = None,
        temperature_C: float | None = None,
        velocities: ArrayLike | None = None,
    ) -> NDArray[np.float64]:
        """Readings at positions as the sensors give them: with noise, rounded to steps, clipped to their range.

        Args:
            positions: (n, d) or (d,), in each joint's unit.
            seed: of the noise; as for numpy.random.default_rng.
            noise_mT: in place of the rig's noise of one conversion; a number or one for each value.
            temperature_C: as for `readings`.
            velocities: as for `readings`.

        Returns:
            (n, m) or (m,) in mT.
        """
        exact = self.readings(positions, temperature_C, velocities)
        sensing = self.sensing if noise_mT is None else self._with_noise(noise_mT)
        return convert(sensing, exact, np.random.default_rng(seed))

    def solve(self, readings: ArrayLike, noise_mT: ArrayLike | None = None, exact: bool = False) -> Fixes:
        """Estimate positions from readings.

        Args:
            readings: (n, m) or (m,) in mT, in the order of `columns`. A reading with a NaN is not measured; an
                infinite value counts as saturated.
            noise_mT: in place of the rig's noise of one conversion; a number or one for each value.
            exact: use the exact model, also where the fast form of it would do; `form_note` says how far they differ.

        Returns:
            Fixes with n rows, or one without the first axis.

        Raises:
            ArgumentError: the shape is wrong, or the noise is negative.
        """
        if noise_mT is None and not exact:
            one = self.fast.one_row(readings)
            if one is not None:
                return one
        rows, single = arguments.rows(readings, "values", self.name, self.columns)
        noise = None if noise_mT is None else np.asarray(self._with_noise(noise_mT).noise_mT)
        fixes = solver.solve(self.solver, rows, noise) if exact else self.fast.solve(rows, noise)
        return fixes[0] if single else fixes

    def solve_with_foreign(
        self,
        readings: ArrayLike,
        foreign: str = "constant",
        stray_mT: float | None = None,
        drift_samples: int | None = None,
        noise_mT: ArrayLike | None = None,
    ) -> WithForeign:
        """Estimate positions and, with them, a foreign field that the batch of readings was taken in.

        The field is the same at all sensors. What varies unmeasured is taken as the same for the whole batch. The exact
        model solves.

        Args:
            readings: (n, m) in mT, in the order of `columns`, one after the other in time.
            foreign: "constant", or "drifting": slowly along the batch.
            stray_mT: size of the field expected; by default that of the rig file.
            drift_samples: in how many samples a drifting field changes by about a tenth of `stray_mT`; by default 256,
                or what makes 128 pieces of the batch.
            noise_mT: in place of the rig's noise of one conversion; a number or one for each value.

        Returns:
            Fixes with n rows, and the field in the frame at each of them.

        Raises:
            UntoldFieldError: the readings cannot tell the field from the positions.
            ArgumentError: an argument makes no sense.
            UnsupportedError: a field that drifts, and a sensor that rides on a joint.
        """
        rows, _ = arguments.rows(readings, "values", self.name, self.columns)
        expected = self.file.surroundings.stray_mT if stray_mT is None else stray_mT
        stray, samples = arguments.foreign(
            foreign, expected, drift_samples, len(rows), foreign_field.MOST_PIECES, foreign_field.DRIFT_SAMPLES
        )
        if samples is not None:
            refusals.refuse(self.file, refusals.for_drifting_field(self.file))
        noise = None if noise_mT is None else np.asarray(self._with_noise(noise_mT).noise_mT)
        return foreign_field.solve(
            self.solver,
            rows,
            varying=self.varying,
            walk=foreign_field.walk(len(rows), samples, stray),
            stray_mT=stray,
            noise_mT=noise,
        )

    @cached_property
    def fast(self) -> FastSolver:
        """What solves on the fast form of the rig's readings, made at the first use."""
        return FastSolver(self.solver)

    def single(self) -> Single:
        """What solves one reading at a time with least overhead: plain numbers in, plain numbers out."""
        return self.fast.single

    @cached_property
    def late_us(self) -> NDArray[np.float64]:
        """How much later than a sample's time each value of a reading is converted: (m,) in µs."""
        return motion.delays_us(self.file)

    def tracker(self, **options: Any) -> Tracker:
        """What follows samples of this rig in time; options are those of `Tracker`."""
        return Tracker(self, **options)

    def form_note(self) -> str:
        """The sentence that says which model readings are solved on, and how far the fast form is off."""
        return self.fast.note()

    def predict(self, positions: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """What accuracy one reading gives at positions.

        Args:
            positions: (n, d), in each joint's unit.

        Returns:
            Expected readings (n, m); how far a fix moves per mT of each value (n, d, m); the Cramér–Rao bound of its
            covariance (n, d, d), which holds what varies unmeasured.
        """
        rows, _ = self._positions(positions)
        moved = model_rows.by_build(self.layout, self.parameters, self.varying, rows)
        return predict.predict(self.layout, self.parameters, np.asarray(self.sensing.variance_mT2), rows, moved)

    def lateness_us(self, positions: ArrayLike) -> NDArray[np.float64]:
        """How much later than its sample's time a joint in motion is found, since axes are converted one after another.

        Args:
            positions: (n, d), in each joint's unit.

        Returns:
            (n, d, d) in µs: what the velocity of a joint (last axis) is multiplied by in the error of a fix.
        """
        rows, _ = self._positions(positions)
        _, per_mT, _ = self.predict(rows)
        _, slope = model_rows.by_position(self.layout, self.parameters, rows)
        return motion.lateness_us(slope, per_mT, motion.delays_us(self.file))

    def parameters_at(self, temperature_C: float | None) -> Parameters:
        """The numbers of the build in use at a temperature; None: the one that `readings` takes by default.

        Raises:
            ArgumentError: there is no such temperature.
        """
        if temperature_C is None:
            return self.parameters
        checked = arguments.temperature(temperature_C, rigfile.ABSOLUTE_ZERO_C)
        return self._build.of(assemble.parameters_of(self.file, checked))

    def strength_note(self) -> str:
        """The sentence that says what a strength other than the rig's, beyond what the weight holds, can cost."""
        positions = travel.places(self.joints)
        expected, per_mT, _ = self.predict(positions)
        worst = np.max(np.abs(0.01 * np.einsum("ndm,nm->nd", per_mT, expected)), axis=0)
        worst = np.where(worst > ROUND_OFF * np.array([joint.span for joint in self.joints]), worst, 0.0)
        shifts = ", ".join(
            f"{joint.name} by up to {shift:.2g} {joint.unit}" for joint, shift in zip(self.joints, worst, strict=True)
        )
        held = [one.address for one in assemble.varying_of(self.file)]
        if held:
            return f"fixes are weighted for {', '.join(held)}; 1 % of magnet strength beside it would shift {shifts}"
        return f"magnet strength taken as exact: 1 % would shift {shifts}"

    def _with_noise(self, noise_mT: ArrayLike) -> Sensing:
        noise = arguments.noise(noise_mT, len(self.columns))
        return Sensing(noise, self.sensing.step_mT, self.sensing.code_low, self.sensing.code_high)

    def _positions(self, values: ArrayLike, what: str = "positions") -> tuple[NDArray[np.float64], bool]:
        return arguments.finite_rows(values, what, self.name, [joint.name for joint in self.joints])
