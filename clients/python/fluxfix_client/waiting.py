"""Making calls by waiting for their answers."""

from collections import deque
from typing import Any

from fluxfix_client.channel import Metadata
from fluxfix_client.steps import WINDOW, Batch, Step, Work


def made(method: Any, step: Step, timeout_s: float, metadata: Metadata) -> Any:
    """Make the calls of a step, and give what is sent back to who asked for it.

    Args:
        method: the callable of its method, of a channel of grpc.
        step: what is asked for.
        timeout_s: time allowed for each message, or for all of a Work.
        metadata: goes with every call.

    Raises:
        grpc.RpcError: a call failed; others under way are cancelled.
        Exception: what `on_answer` raised; the call is cancelled.
    """
    if isinstance(step, Batch):
        return _in_turn(method, step, timeout_s, metadata)
    if isinstance(step, Work):
        call = method(step.request, timeout=timeout_s, metadata=metadata)
        try:
            for answer in call:
                step.on_answer(answer)
        finally:
            call.cancel()  # without effect on a call that has ended
        return None
    return method(step.request, timeout=timeout_s, metadata=metadata)


def _in_turn(method: Any, batch: Batch, timeout_s: float, metadata: Metadata) -> None:
    under_way: deque[Any] = deque()
    try:
        for request in batch.requests:
            if len(under_way) == WINDOW:
                batch.on_answer(under_way.popleft().result())
            under_way.append(method.future(request, timeout=timeout_s, metadata=metadata))
        while under_way:
            batch.on_answer(under_way.popleft().result())
    finally:
        for call in under_way:
            call.cancel()
