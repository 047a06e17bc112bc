"""The client for asyncio."""

from collections import deque
from collections.abc import AsyncIterator, Generator, Mapping, Sequence
from typing import Any, Self, TypeVar

import grpc
import grpc.aio
import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import calls, calls_rigs, calls_works, channel, errors, results, surveys, tracking_aio, tracks
from fluxfix_client.steps import WINDOW, Batch, OnProgress, Step, Work
from fluxfix_client.values import Fixes, Rig

T = TypeVar("T")


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

    async def rigs(self) -> list[Rig]:
        """List the rigs that the service can solve, sorted by name, without their text."""
        return await self._run(calls_rigs.list_rigs())

    async def rig(self, name: str) -> Rig:
        """Get one rig with the text of its file."""
        return await self._run(calls_rigs.get_rig(name))

    async def create_rig(self, text: str) -> Rig:
        """Let the service keep a new rig, by the name in the text of its file."""
        return await self._run(calls_rigs.create_rig(text))

    async def replace_rig(self, name: str, text: str, etag: str) -> Rig:
        """Give a rig another text; the one it had stays as a revision."""
        return await self._run(calls_rigs.replace_rig(name, text, etag))

    async def delete_rig(self, name: str, etag: str) -> None:
        """Delete a rig; its revisions stay."""
        await self._run(calls_rigs.delete_rig(name, etag))

    async def revisions(self, name: str) -> list[results.Revision]:
        """List the texts that a rig has had, newest first, without the texts; also of a deleted rig."""
        return await self._run(calls_rigs.list_revisions(name))

    async def revision(self, name: str, number: int) -> results.Revision:
        """Get one text that a rig has had."""
        return await self._run(calls_rigs.get_revision(name, number))

    async def solve(
        self, rig_name: str, readings: ArrayLike, noise_mT: ArrayLike | None = None, exact: bool = False
    ) -> Fixes:
        """Solve one reading (m,) or many (n, m), in mT, in the order of `Rig.columns`."""
        return await self._run(calls.solve(rig_name, readings, noise_mT, exact))

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

    async def simulate(
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
        """Compute the readings (n, m) or (m,) at positions (n, d) or (d,)."""
        steps = calls_works.simulate(
            rig_name,
            positions,
            seed=seed,
            noise_mT=noise_mT,
            exact=exact,
            on_progress=on_progress,
            timeout_s=timeout_s,
        )
        return await self._run(steps)

    async def calibrate(
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
        """Fit the build of one unit to recordings, and let the service keep it in the rig."""
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
        return await self._run(steps)

    async def build_table(
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
        """Make the smallest firmware table that reaches an error, or the best one within limits; it is kept, too."""
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
        return await self._run(steps)

    async def tables(self, rig_name: str) -> list[results.Table]:
        """List the tables of a rig, sorted by hash, without their files."""
        return await self._run(calls_rigs.list_tables(rig_name))

    async def table(self, rig_name: str, sha256: str) -> results.Table:
        """Get one table with its files."""
        return await self._run(calls_rigs.get_table(rig_name, sha256))

    async def study_rates(
        self,
        rig_name: str,
        speeds: Mapping[str, float] | None = None,
        rates_hz: Sequence[float] | None = None,
        *,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Rates:
        """Study sampling rates, with times of a solve measured on the server during the call."""
        steps = calls_works.study_rates(rig_name, speeds, rates_hz, on_progress=on_progress, timeout_s=timeout_s)
        return await self._run(steps)

    async def survey(
        self,
        rig_name: str,
        resolutions: Mapping[str, float] | None = None,
        box_pairs: int | None = None,
        seconds: float | None = None,
        *,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> surveys.Survey:
        """Survey a rig over its travel: accuracy, range, and whether each position can be told from every other."""
        steps = calls_works.survey(
            rig_name, resolutions, box_pairs, seconds, on_progress=on_progress, timeout_s=timeout_s
        )
        return await self._run(steps)

    async def _run(self, steps: Generator[Step, Any, T]) -> T:
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
            return await self._made_in_turn(method, step)
        if isinstance(step, Work):
            call = method(step.request, timeout=step.timeout_s, metadata=self._metadata)
            try:
                async for answer in call:
                    step.on_answer(answer)
            finally:
                call.cancel()  # without effect on a call that has ended
            return None
        return await method(step.request, timeout=self.timeout_s, metadata=self._metadata)

    async def _made_in_turn(self, method: Any, batch: Batch) -> list[Any]:
        answers: list[Any] = []
        under_way: deque[Any] = deque()
        try:
            for request in batch.requests:
                if len(under_way) == WINDOW:
                    answers.append(await under_way.popleft())
                under_way.append(method(request, timeout=self.timeout_s, metadata=self._metadata))
            while under_way:
                answers.append(await under_way.popleft())
        finally:
            for call in under_way:
                call.cancel()
        return answers
