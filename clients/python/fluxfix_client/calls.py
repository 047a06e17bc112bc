"""What the methods of both clients ask of the service, without any input or output.

A function here, in calls_rigs.py and in calls_works.py is a generator: it yields the calls to make, one after the
other, is sent each answer, and returns the result. The clients make a method of each, one waiting and one awaiting;
nothing else differs between them. Every one may raise UnavailableError, DeadlineError, AccessError, ExhaustedError or
another FluxfixClientError.
"""

import functools

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import convert
from fluxfix_client.steps import Batch, Call, Steps
from fluxfix_client.v1 import solve_service_pb2
from fluxfix_client.values import Fixes

MAX_READINGS = 8192  # what SolveReadings takes at once
PIECE_READINGS = 4096  # half of it: a message is then answered well within the time allowed, with the exact model too
MAX_REQUEST_BYTES = (
    1_000_000  # a quarter of gRPC's default limit, so that other calls get their turn between two messages
)

MANY_READINGS = 1024  # whose answer the C library does not keep room for by itself
KEPT_BYTES = 4_000_000  # several messages with their answers


def solve(rig_name: str, readings: ArrayLike, noise_mT: ArrayLike | None = None, exact: bool = False) -> Steps[Fixes]:
    """Solve one reading or many.

    Args:
        rig_name: such as "boom-stick".
        readings: (m,) or (n, m) in mT, in the order of `Rig.columns`; NaN and infinite values give flagged fixes.
        noise_mT: rms noise of one conversion, a number or one a column; None takes the rig's own.
        exact: use the exact model even where the fast one is good enough.

    Returns:
        Fixes; for one reading without the leading axis.

    Raises:
        NotFoundError: the service has no such rig.
        InvalidArgumentError: readings or noise do not fit the rig.
    """
    rows = convert.readings_from(readings)
    noise = convert.noise_from(noise_mT)
    name = convert.resource(rig_name)
    if rows.ndim == 1:
        one = solve_service_pb2.SolveReadingRequest(
            name=name, flux_density_millitesla=rows.tolist(), noise_millitesla=noise, exact=exact
        )
        answer = yield Call("SolveReading", one)
        return convert.fix_from(answer.fix)
    requests = [
        solve_service_pb2.SolveReadingsRequest(
            name=name, count=len(piece), flux_density_millitesla=piece.tobytes(), noise_millitesla=noise, exact=exact
        )
        for piece in _pieces(rows)
    ]
    if len(rows) >= MANY_READINGS:
        _keep_memory()
    gathered = convert.Gathered(len(rows))
    if len(requests) == 1:
        gathered.add((yield Call("SolveReadings", requests[0])))
    else:
        yield Batch("SolveReadings", requests, gathered.add)
    return gathered.fixes()


@functools.cache
def _keep_memory() -> None:
    """Let the C library keep the memory of answers, where it is the GNU one: it learns from a large block given back.

    Else it gives memory of this size back to the system after each message, which clears it for the next one; that took
    half of a client's time.

    Source: mallopt(3), M_MMAP_THRESHOLD ("dynamic adjustment").
    """
    np.empty(KEPT_BYTES, np.uint8)


def _pieces(rows: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Cut readings into pieces that fit a message; no rows are one empty piece, whose answer tells the joints."""
    row_bytes = max(rows.shape[1] * rows.itemsize, 1)
    most = max(min(PIECE_READINGS, MAX_REQUEST_BYTES // row_bytes), 1)
    length = 1 << (most.bit_length() - 1)  # a power of two, so that pieces fall together with the chunks of a solver
    return [rows[start : start + length] for start in range(0, max(len(rows), 1), length)]
