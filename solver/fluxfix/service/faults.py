"""What can go wrong with the rigs and tables that a service keeps, beyond what the façade knows."""

import errno
import os
from collections.abc import Sequence
from pathlib import Path

from fluxfix.errors import FluxfixError, RigFileError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


class RigTextError(RigFileError):
    """The text sent for a rig makes no sense; `sentences` has each mistake."""

    def __init__(self, sentences: Sequence[str], **context: object) -> None:
        super().__init__("\n".join(sentences), **context)
        self.sentences = tuple(sentences)


class RigExistsError(FluxfixError):
    """There is a rig of that name already."""


class EtagError(FluxfixError):
    """A rig is not in the state that the caller has seen."""


class RevisionNotFoundError(FluxfixError):
    """A rig has had no such text."""


class TableNotFoundError(FluxfixError):
    """A rig has no such table."""


class ServiceNotFoundError(FluxfixError):
    """Health is asked of a service that is none."""

    def __init__(self, name: str, known: Sequence[str]) -> None:
        super().__init__(
            f"got service {name!r}, there are {', '.join(known)}: send one of these, or none for the whole",
            service=name,
        )


class StoreError(FluxfixError):
    """The folder cannot be written."""


class StoreFullError(StoreError):
    """The disk has no room."""


class StoreBusyError(StoreError):
    """Somebody else has been writing for too long."""


class MiswiredError(FluxfixError):
    """Other wires or joints than the rig's fit a recording far better."""

    def __init__(self, name: str, reasons: Sequence[str]) -> None:
        super().__init__(
            f"wires or joints are not as rig {name!r} says, so nothing was kept: {'; '.join(reasons)}: mend the wires, "
            "or the rig (map, direction, axis), or keep this fit all the same with as_wired",
            rig=name,
        )


class RigNotReadyError(FluxfixError):
    """A rig that is new or has changed is still being prepared.

    Attributes:
        time_is_up: whether the caller's time was spent with waiting, so that to try again at once is in vain.
    """

    def __init__(self, name: str, *, time_is_up: bool = False) -> None:
        super().__init__(f"rig {name!r} is being prepared for its first fix: try again in a few seconds", rig=name)
        self.time_is_up = time_is_up


class StoppingError(FluxfixError):
    """The service ends, and a stream is to go on elsewhere."""

    def __init__(self) -> None:
        super().__init__(
            "the service is stopping, this message was not used: go on in another stream, from the last answer's state"
        )


def of_disk(error: OSError, folder: Path) -> StoreError:
    """Say why a folder could not be written."""
    reason = os.strerror(error.errno).lower() if error.errno else str(error)
    if error.errno in _FULL:
        return StoreFullError(
            f"nothing was kept in {folder.name}: {reason}: make room on the server's disk", reason=reason
        )
    return StoreError(
        f"nothing was kept in {folder.name}: {reason}: let the server write to its folder of rigs", reason=reason
    )
