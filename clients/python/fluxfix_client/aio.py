"""The client for asyncio."""

from collections.abc import Generator
from typing import Any, Self, TypeVar

import grpc
import grpc.aio
from numpy.typing import ArrayLike

from fluxfix_client import calls, channel, errors
from fluxfix_client.values import Fixes, Rig

T = TypeVar("T")


class AsyncClient:
    """What Client is, for asyncio: make it inside a running loop, use it by `async with`, await its methods.

    Arguments, results and errors are those of Client.
    """

    def __init__(self, address: str = channel.DEFAULT_ADDRESS, timeout_s: float = channel.DEFAULT_TIMEOUT_S) -> None:
        """Name the service by "host:port" and the time allowed for each message, in seconds."""
        self.address = address
        self.timeout_s = timeout_s
        self._channel = grpc.aio.insecure_channel(address, options=channel.OPTIONS)
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
        return await self._run(calls.list_rigs())

    async def rig(self, name: str) -> Rig:
        """Get one rig with the text of its file."""
        return await self._run(calls.get_rig(name))

    async def solve(
        self, rig_name: str, readings: ArrayLike, noise_mT: ArrayLike | None = None, exact: bool = False
    ) -> Fixes:
        """Solve one reading (m,) or many (n, m), in mT, in the order of `Rig.columns`."""
        return await self._run(calls.solve(rig_name, readings, noise_mT, exact))

    async def _run(self, steps: Generator[calls.Call, Any, T]) -> T:
        """Make the calls that `steps` asks for and return its result."""
        answer: Any = None
        while True:
            try:
                call = steps.send(answer)
            except StopIteration as done:
                result: T = done.value
                return result
            try:
                answer = await self._methods[call.method](call.request, timeout=self.timeout_s)
            except grpc.RpcError as error:
                raise errors.from_rpc(error, self.address, self.timeout_s) from None
