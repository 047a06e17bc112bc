"""The long functions of the façade, loaded when the first of them is asked for: the service itself needs no JAX."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fluxfix.service.ports import OnProgress


class Facade:
    """What `ports.Works` asks for, by `fluxfix.api`."""

    def calibrate(
        self,
        rig: Any,
        held: Sequence[Path],
        on_progress: OnProgress,
        moving: Sequence[Path],
        sweeps: Sequence[Path],
        turns: Sequence[Path],
    ) -> Any:
        """See `fluxfix.calibrate`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.calibrate(rig, list(held), on_progress, list(moving), list(sweeps), list(turns))

    def build_table(self, rig: Any, error: str | None, on_progress: OnProgress, limits: Mapping[str, Any]) -> Any:
        """See `fluxfix.build_table`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.build_table(rig, error, on_progress, **limits)

    def study_rates(
        self, rig: Any, speeds: Mapping[str, float], rates_hz: Sequence[float] | None, on_progress: OnProgress
    ) -> Any:
        """See `fluxfix.study_rates`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.study_rates(rig, speeds, rates_hz, on_progress=on_progress)

    def survey(
        self,
        rig: Any,
        resolutions: Mapping[str, float],
        box_pairs: int | None,
        seconds: float | None,
        on_progress: OnProgress,
    ) -> Any:
        """See `fluxfix.survey`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.survey(rig, resolutions, box_pairs, seconds, on_progress)
