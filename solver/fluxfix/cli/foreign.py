"""`fluxfix solve --foreign`: positions of a recording, and the foreign field that it was taken in."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from fluxfix.cli.common import say

if TYPE_CHECKING:
    from pathlib import Path

    from fluxfix.facade import Rig
    from fluxfix.recordings import Recording

_AXES = "xyz"


def write(
    rig: Rig, recording: Recording, target: Path, foreign: str, options: dict[str, Any], force: bool
) -> Counter[str]:
    """Solve a whole recording at once and write its fixes, with the field and its sd beside them.

    Args:
        rig: the rig.
        recording: all of which is read.
        target: the file to write.
        foreign: how the field may change.
        options: of `Rig.solve_with_foreign`.
        force: replace an existing file.

    Returns:
        How many samples have each status.

    Raises:
        RecordingError: its samples cannot tell the field from the positions.
    """
    import numpy as np

    from fluxfix import api, recordings
    from fluxfix.errors import RecordingError, UntoldFieldError

    samples = recording.read()
    try:
        found = rig.solve_with_foreign(samples.columns(rig.columns), foreign, **options)
    except UntoldFieldError as error:
        raise RecordingError(f"{recording.path}: {error}") from None
    sd = np.sqrt(np.diagonal(found.field_covariance, axis1=1, axis2=2))
    beside = {f"foreign_{axis}_mT": found.field_mT[:, k] for k, axis in enumerate(_AXES)}
    beside |= {f"foreign_{axis}_sd_mT": sd[:, k] for k, axis in enumerate(_AXES)}
    columns = [*api.fix_columns(rig), *(recordings.Column(name, decimals=6) for name in beside)]
    with recordings.writer(target, columns, force) as sink:
        sink.write(api.fix_values(rig, samples.t_s, found.fixes) | beside)
    size = np.linalg.norm(found.field_mT, axis=1)
    say(f"foreign field: {np.min(size):.3g} to {np.max(size):.3g} mT, each component known to ± {np.max(sd):.2g} mT")
    return Counter(found.fixes.status_words)
