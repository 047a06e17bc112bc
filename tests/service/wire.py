"""Calls as any client makes them, and how they fail."""

import time
from collections.abc import Callable
from typing import Any

import grpc
import pytest
from google.rpc import error_details_pb2
from grpc_status import rpc_status

from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub

WAIT_S = 30.0
"""Longer than any call here takes on a busy machine."""
READING = solving.SolveReadingRequest(name="rigs/stick", flux_density_millitesla=[1.0, 2.0, 3.0])
READINGS = solving.SolveReadingsRequest(name="rigs/stick", count=1, flux_density_millitesla=bytes(24))


def solve(channel: grpc.Channel, **options: Any) -> solving.SolveReadingResponse:
    """Solve one reading."""
    answer: solving.SolveReadingResponse = SolveServiceStub(channel).SolveReading(
        READING, **{"timeout": WAIT_S, **options}
    )
    return answer


def refused(call: Any, *arguments: Any, **options: Any) -> tuple[str, str, dict[str, str]]:
    """Make a call that must fail; give the name of its code, and reason and metadata of its ErrorInfo."""
    with pytest.raises(grpc.RpcError) as caught:
        call(*arguments, **{"timeout": WAIT_S, **options})
    return reason_of(caught.value)


def reason_of(error: Any) -> tuple[str, str, dict[str, str]]:
    """Give the name of an error's code, and reason and metadata of its ErrorInfo, which every refusal carries."""
    status = rpc_status.from_call(error)
    assert status is not None, error
    info = error_details_pb2.ErrorInfo()
    assert status.details[0].Unpack(info)
    assert info.domain == "fluxfix"
    return error.code().name, info.reason, dict(info.metadata)


def until(true: Callable[[], bool]) -> None:
    """Look again and again until something is true, which must be soon."""
    end = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < end, "it did not come true"
