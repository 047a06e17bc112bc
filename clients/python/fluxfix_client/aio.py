"""The client for asyncio."""

from collections import deque
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from typing import Any, Concatenate, ParamSpec, Self, TypeVar, cast

import grpc
import grpc.aio
from numpy.typing import ArrayLike

from fluxfix_client import calls, calls_rigs, calls_works, channel, errors, tracking_aio, tracks
from fluxfix_client.steps import WINDOW, Batch, Step, Steps, Work, like

P = ParamSpec("P")
T = TypeVar("T")


def _awaits(asks: Callable[P, Steps[T]]) -> Callable[Concatenate["AsyncClient", P], Coroutine[Any, Any, T]]:
    """Make a method that awaits what a function asks for."""

    async def method(client: "AsyncClient", *args: P.args, **kwargs: P.kwargs) -> T:
        return await client._run(asks(*args, **kwargs))

    return cast(Callable[Concatenate["AsyncClient", P], Coroutine[Any, Any, T]], like(method, asks))


class AsyncClient:
    """What Client is, for asyncio: make it inside a running loop, use it by `async with`, await its methods.

    Arguments, results and errors are those of Client. Cancelling a task that awaits a method cancels the call.
    """

    def __init__(
        self,
        address: str = channel.DEFAULT_ADDRESS,
        timeout_s: float = channel.DEFAULT_TIMEOUT_S,
        *,
        tls: channel.Tls | None = None,
        token: str | None = None,
    ) -> None:
        """Name the service by "host:port" and the time allowed for each message, in seconds."""
        self.address = address
        self.timeout_s = timeout_s
        self._metadata = channel.metadata_of(token)
        self._channel = channel.open_channel(grpc.aio, address, tls)
        self._methods = channel.methods_of(self._channel)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *raised: object) -> None:
        await self.close()

    async def close(self) -> None:
        """Close the connection; calls after that fail."""
        await self._channel.close()

    rigs = _awaits(calls_rigs.rigs)
    rig = _awaits(calls_rigs.rig)
    create_rig = _awaits(calls_rigs.create_rig)
    replace_rig = _awaits(calls_rigs.replace_rig)
    delete_rig = _awaits(calls_rigs.delete_rig)
    revisions = _awaits(calls_rigs.revisions)
    revision = _awaits(calls_rigs.revision)
    solve = _awaits(calls.solve)
    simulate = _awaits(calls_works.simulate)
    calibrate = _awaits(calls_works.calibrate)
    build_table = _awaits(calls_works.build_table)
    tables = _awaits(calls_rigs.tables)
    table = _awaits(calls_rigs.table)
    study_rates = _awaits(calls_works.study_rates)
    survey = _awaits(calls_works.survey)

    async def track(
        self,
        rig_name: str,
        batches: tracking_aio.AnyBatches,
        *,
        ahead_ms: float = 0.0,
        coast_ms: float | None = None,
        max_acceleration: Mapping[str, float] | None = None,
        noise_mT: ArrayLike | None = None,
        exact: bool = False,
    ) -> AsyncIterator[tracks.Tracks]:
        """Follow a rig in time: give the tracks of each batch, from a plain or an asynchronous iterable of batches."""
        options = tracks.options_of(ahead_ms, coast_ms, max_acceleration, noise_mT, exact)
        progress = tracks.Progress(rig_name, options)
        following = tracking_aio.followed(self._methods["TrackReadings"], batches, progress, self._metadata)
        try:
            async for one in following:
                yield one
        except grpc.RpcError as error:
            raise errors.from_rpc(error, self.address, self.timeout_s) from None
        finally:
            await following.aclose()

    async def _run(self, steps: Steps[T]) -> T:
        """Make the calls that `steps` asks for and return its result."""
        answer: Any = None
        while True:
            try:
                step = steps.send(answer)
            except StopIteration as done:
                result: T = done.value
                return result
            timeout_s = step.timeout_s if isinstance(step, Work) else self.timeout_s
            try:
                answer = await self._made(step)
            except grpc.RpcError as error:
                raise errors.from_rpc(error, self.address, timeout_s) from None

    async def _made(self, step: Step) -> Any:
        method = self._methods[step.method]
        if isinstance(step, Batch):
            await self._made_in_turn(method, step)
            return None
        if isinstance(step, Work):
            call = method(step.request, timeout=step.timeout_s, metadata=self._metadata)
            try:
                async for answer in call:
                    step.on_answer(answer)
            finally:
                call.cancel()  # without effect on a call that has ended
            return None
        return await method(step.request, timeout=self.timeout_s, metadata=self._metadata)

    async def _made_in_turn(self, method: Any, batch: Batch) -> None:
        under_way: deque[Any] = deque()
        try:
            for request in batch.requests:
                if len(under_way) == WINDOW:
                    batch.on_answer(await under_way.popleft())
                under_way.append(method(request, timeout=self.timeout_s, metadata=self._metadata))
            while under_way:
                batch.on_answer(await under_way.popleft())
        finally:
            for call in under_way:
                call.cancel()
