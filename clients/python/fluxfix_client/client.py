"""The client that waits for its answers."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Concatenate, ParamSpec, Self, TypeVar, cast

import grpc
from numpy.typing import ArrayLike

from fluxfix_client import calls, calls_rigs, calls_works, channel, errors, tracking, tracks, waiting
from fluxfix_client.steps import Steps, Work, like

P = ParamSpec("P")
T = TypeVar("T")


def _waits(asks: Callable[P, Steps[T]]) -> Callable[Concatenate["Client", P], T]:
    """Make a method that waits for what a function asks for."""

    def method(client: "Client", *args: P.args, **kwargs: P.kwargs) -> T:
        return client._run(asks(*args, **kwargs))

    return cast(Callable[Concatenate["Client", P], T], like(method, asks))


class Client:
    """A connection to one fluxfix service, made at the first call, closed at the end of `with`; threads may share it.

    Every method may raise UnavailableError, DeadlineError, AccessError, ExhaustedError or another FluxfixClientError.
    Calls that change nothing are repeated with growing pauses when the service is out of reach for a moment, within
    the time allowed. What a long method's `on_progress(done, total)` raises cancels its work.
    """

    def __init__(
        self,
        address: str = channel.DEFAULT_ADDRESS,
        timeout_s: float = channel.DEFAULT_TIMEOUT_S,
        *,
        tls: channel.Tls | None = None,
        token: str | None = None,
    ) -> None:
        """Name the service.

        Args:
            address: "host:port"; a name that stands for several servers, or "ipv4:host:port,host:port", uses them in
                turn.
            timeout_s: time allowed for each message, in seconds, above 0; a large batch is several messages.
            tls: for an encrypted connection.
            token: for a service that asks for one; send it over an encrypted connection, or within this machine.

        Raises:
            InvalidArgumentError: the address names no port, a file of `tls` cannot be read, or the token is none.
        """
        self.address = address
        self.timeout_s = timeout_s
        self._metadata = channel.metadata_of(token)
        self._channel = channel.open_channel(grpc, address, tls)
        self._methods = channel.methods_of(self._channel)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; calls after that fail."""
        self._channel.close()

    rigs = _waits(calls_rigs.rigs)
    rig = _waits(calls_rigs.rig)
    create_rig = _waits(calls_rigs.create_rig)
    replace_rig = _waits(calls_rigs.replace_rig)
    delete_rig = _waits(calls_rigs.delete_rig)
    revisions = _waits(calls_rigs.revisions)
    revision = _waits(calls_rigs.revision)
    solve = _waits(calls.solve)
    simulate = _waits(calls_works.simulate)
    calibrate = _waits(calls_works.calibrate)
    build_table = _waits(calls_works.build_table)
    tables = _waits(calls_rigs.tables)
    table = _waits(calls_rigs.table)
    study_rates = _waits(calls_works.study_rates)
    survey = _waits(calls_works.survey)

    def track(
        self,
        rig_name: str,
        batches: tracks.Batches,
        *,
        ahead_ms: float = 0.0,
        coast_ms: float | None = None,
        max_acceleration: Mapping[str, float] | None = None,
        noise_mT: ArrayLike | None = None,
        exact: bool = False,
    ) -> Iterator[tracks.Tracks]:
        """Follow a rig in time: give the tracks of each batch as soon as they are answered.

        A stream that breaks because the service is out of reach for a moment is gone on with in another one, from the
        last answer on; nothing is lost. Leaving the loop ends the stream.

        Args:
            rig_name: such as "boom-stick".
            batches: (times, readings) of each batch: (n,) in s, never going back, and (n, m) in mT; fetched in another
                thread, ahead of the answers. A batch of
                more than 4096 samples is answered in pieces.
            ahead_ms: how much later than its sample each row is for, 0 to 10000; rows are predicted then.
            coast_ms: how long a prediction may stand in for samples; by default two sample periods.
            max_acceleration: by joint, in its unit per s²; by default what takes a joint over its travel in 0.2 s.
            noise_mT: rms noise of one conversion, a number or one a column; None takes the rig's own.
            exact: follow on the exact model, slowly.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: readings, times or options make no sense for the rig, or a time goes back.
            Exception: what the batches raise.
        """
        options = tracks.options_of(ahead_ms, coast_ms, max_acceleration, noise_mT, exact)
        progress = tracks.Progress(rig_name, options)
        try:
            yield from tracking.followed(self._methods["TrackReadings"], batches, progress, self._metadata)
        except grpc.RpcError as error:
            raise errors.from_rpc(error, self.address, self.timeout_s) from None

    def _run(self, steps: Steps[T]) -> T:
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
                answer = waiting.made(self._methods[step.method], step, timeout_s, self._metadata)
            except grpc.RpcError as error:
                raise errors.from_rpc(error, self.address, timeout_s) from None
