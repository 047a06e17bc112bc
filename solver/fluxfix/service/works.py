"""The long functions of the façade, loaded when the first of them is asked for: the service itself needs no JAX."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fluxfix.service.ports import OnProgress


class Facade:
    """What `ports.Works` asks for, by `fluxfix.api`."""

    def calibrate(self, rig: Any, recordings: Sequence[Path], on_progress: OnProgress) -> Any:
        """See `fluxfix.calibrate`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.calibrate(rig, list(recordings), on_progress)

    def build_table(self, rig: Any, error: str, on_progress: OnProgress) -> Any:
        """See `fluxfix.build_table`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.build_table(rig, error, on_progress)

    def study_rates(
        self, rig: Any, speeds: Mapping[str, float], rates_hz: Sequence[float] | None, on_progress: OnProgress
    ) -> Any:
        """See `fluxfix.study_rates`."""
        from fluxfix import api  # noqa: PLC0415 it loads JAX

        return api.study_rates(rig, speeds, rates_hz, on_progress=on_progress)
