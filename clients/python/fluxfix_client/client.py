"""The client that waits for its answers."""

from collections.abc import Generator
from typing import Any, Self, TypeVar

import grpc
from numpy.typing import ArrayLike

from fluxfix_client import calls, channel, errors
from fluxfix_client.values import Fixes, Rig

T = TypeVar("T")


class Client:
    """A connection to one fluxfix service, made at the first call, closed at the end of `with`; threads may share it.

    Every method may raise UnavailableError, DeadlineError or another FluxfixClientError. Calls are repeated with
    growing pauses when the service is out of reach for a moment, within the time allowed.
    """

    def __init__(self, address: str = channel.DEFAULT_ADDRESS, timeout_s: float = channel.DEFAULT_TIMEOUT_S) -> None:
        """Name the service.

        Args:
            address: "host:port".
            timeout_s: time allowed for each message, in seconds, above 0; a large batch is several messages.
        """
        self.address = address
        self.timeout_s = timeout_s
        self._channel = grpc.insecure_channel(address, options=channel.OPTIONS)
        self._methods = channel.methods_of(self._channel)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; calls after that fail."""
        self._channel.close()

    def rigs(self) -> list[Rig]:
        """List the rigs that the service can solve, sorted by name, without their text."""
        return self._run(calls.list_rigs())

    def rig(self, name: str) -> Rig:
        """Get one rig with the text of its file.

        Raises:
            NotFoundError: the service has no such rig.
            FluxfixClientError: the rig file makes no sense; the message says why.
        """
        return self._run(calls.get_rig(name))

    def solve(
        self, rig_name: str, readings: ArrayLike, noise_mT: ArrayLike | None = None, exact: bool = False
    ) -> Fixes:
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
        return self._run(calls.solve(rig_name, readings, noise_mT, exact))

    def _run(self, steps: Generator[calls.Call, Any, T]) -> T:
        """Make the calls that `steps` asks for and return its result."""
        answer: Any = None
        while True:
            try:
                call = steps.send(answer)
            except StopIteration as done:
                result: T = done.value
                return result
            try:
                answer = self._methods[call.method](call.request, timeout=self.timeout_s)
            except grpc.RpcError as error:
                raise errors.from_rpc(error, self.address, self.timeout_s) from None
