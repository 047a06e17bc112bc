"""The long methods of the client that waits for its answers."""

from abc import ABC, abstractmethod
from collections.abc import Generator, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import calls_works, channel, results, surveys
from fluxfix_client.steps import OnProgress, Step

T = TypeVar("T")


class LongMethods(ABC):
    """What takes seconds to minutes. What `on_progress(done, total)` raises cancels the work."""

    @abstractmethod
    def _run(self, steps: Generator[Step, Any, T]) -> T:
        """Make the calls that `steps` asks for and return its result."""

    def simulate(
        self,
        rig_name: str,
        positions: ArrayLike,
        seed: int = 0,
        noise_mT: ArrayLike | None = None,
        *,
        exact: bool = False,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> NDArray[np.float64]:
        """Compute the readings at positions.

        Args:
            rig_name: such as "boom-stick".
            positions: (n, d) or (d,), each joint in its unit; at most 4 MiB.
            seed: of the noise, 0 or more.
            noise_mT: rms noise of one conversion, a number or one a column; None takes the rig's own.
            exact: without noise, limits and steps.
            on_progress: told the readings done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Returns:
            (n, m) or (m,) in mT.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: positions, seed or noise make no sense for it.
        """
        steps = calls_works.simulate(
            rig_name,
            positions,
            seed=seed,
            noise_mT=noise_mT,
            exact=exact,
            on_progress=on_progress,
            timeout_s=timeout_s,
        )
        return self._run(steps)

    def calibrate(
        self,
        rig_name: str,
        recordings: calls_works.RecordingPaths = (),
        etag: str = "",
        *,
        moving: calls_works.RecordingPaths = (),
        sweeps: calls_works.RecordingPaths = (),
        keep: bool = True,
        as_wired: bool = False,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Calibration:
        """Fit the build of one unit to recordings, and let the service keep it in the rig.

        Args:
            rig_name: such as "boom-stick".
            recordings: of held stops with reference positions; one path or several, .csv or .parquet, all recordings at
                most 64 MiB together.
            etag: `Rig.etag` as it was read; not needed unless `keep`.
            moving: likewise, of joints in motion with reference positions.
            sweeps: likewise, of joints in motion without, except where they rest at end stops.
            keep: replace the rig's text by the one with the calibration.
            as_wired: keep it also where other wires or joints than the rig's fit far better.
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Raises:
            NotFoundError: the service has no such rig.
            ConflictError: the rig has changed since it was read; nothing was kept.
            FluxfixClientError: other wires or joints fit far better (reason RIG_MISWIRED); nothing was kept.
            InvalidArgumentError: a recording makes no sense, or does not fit the rig.
        """
        steps = calls_works.calibrate(
            rig_name,
            recordings,
            moving=moving,
            sweeps=sweeps,
            etag=etag,
            keep=keep,
            as_wired=as_wired,
            on_progress=on_progress,
            timeout_s=timeout_s,
        )
        return self._run(steps)

    def build_table(
        self,
        rig_name: str,
        error: str | None = None,
        *,
        max_bytes: int | None = None,
        max_instructions: int | None = None,
        core: str | None = None,
        interpolation: str | None = None,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Table:
        """Make the smallest firmware table that reaches an error, or the best within limits; the service keeps it, too.

        Args:
            rig_name: such as "boom-stick".
            error: percent of each joint's span ("0.1%"), or in the joints' unit ("0.05deg", "0.02mm"); by default
                "0.1%", with `max_bytes` none.
            max_bytes: asks for the most exact table of so many bytes of coefficients.
            max_instructions: asks for the fastest table, of at most so many instructions a call on `core`.
            core: "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m33" or "rv32": instructions are counted on it.
            interpolation: "linear", "quadratic" or "cubic"; by default quadratic, or any where there is a limit.
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: the error has another form, or a limit or name makes no sense.
            FluxfixClientError: no such table can be made; the message says why.
        """
        steps = calls_works.build_table(
            rig_name,
            error,
            max_bytes=max_bytes,
            max_instructions=max_instructions,
            core=core,
            interpolation=interpolation,
            on_progress=on_progress,
            timeout_s=timeout_s,
        )
        return self._run(steps)

    def study_rates(
        self,
        rig_name: str,
        speeds: Mapping[str, float] | None = None,
        rates_hz: Sequence[float] | None = None,
        *,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Rates:
        """Study sampling rates, with times of a solve measured on the server during the call.

        Args:
            rig_name: such as "boom-stick".
            speeds: by joint, in its unit per second; without one a joint passes its travel in 0.2 s.
            rates_hz: by default ten from 100 Hz to 100 kHz.
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: a speed or rate makes no sense.
        """
        steps = calls_works.study_rates(rig_name, speeds, rates_hz, on_progress=on_progress, timeout_s=timeout_s)
        return self._run(steps)

    def survey(
        self,
        rig_name: str,
        resolutions: Mapping[str, float] | None = None,
        box_pairs: int | None = None,
        seconds: float | None = None,
        *,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> surveys.Survey:
        """Survey a rig over its travel: accuracy, range, and whether each position can be told from every other.

        Args:
            rig_name: such as "boom-stick".
            resolutions: by joint, in its unit: positions count as different from here on; by default 1 % of the span.
            box_pairs: that each search may look at, at most 10 million; by default 3 million. Where they do not
                suffice the verdict is "not proven".
            seconds: for all searches together; by default without limit. Results then depend on the server's machine.
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds; when it is over nothing is told.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: a resolution or budget makes no sense.
        """
        steps = calls_works.survey(
            rig_name, resolutions, box_pairs, seconds, on_progress=on_progress, timeout_s=timeout_s
        )
        return self._run(steps)
