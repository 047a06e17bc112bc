"""The client that waits for its answers."""

from collections.abc import Generator, Iterator, Mapping
from typing import Any, Self, TypeVar

import grpc
from numpy.typing import ArrayLike

from fluxfix_client import calls, calls_rigs, channel, errors, results, tracking, tracks, waiting
from fluxfix_client.client_works import LongMethods
from fluxfix_client.steps import Step, Work
from fluxfix_client.values import Fixes, Rig

T = TypeVar("T")


class Client(LongMethods):
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
            InvalidArgumentError: a file of `tls` cannot be read, or the token is none.
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

    def rigs(self) -> list[Rig]:
        """List the rigs that the service can solve, sorted by name, without their text."""
        return self._run(calls_rigs.list_rigs())

    def rig(self, name: str) -> Rig:
        """Get one rig with the text of its file.

        Raises:
            NotFoundError: the service has no such rig.
            FluxfixClientError: the rig file makes no sense; the message says why.
        """
        return self._run(calls_rigs.get_rig(name))

    def create_rig(self, text: str) -> Rig:
        """Let the service keep a new rig, by the name in the text of its file.

        Raises:
            InvalidArgumentError: the text is no rig file; `violations` has each mistake.
            ConflictError: there is a rig of that name.
        """
        return self._run(calls_rigs.create_rig(text))

    def replace_rig(self, name: str, text: str, etag: str) -> Rig:
        """Give a rig another text; the one it had stays as a revision.

        Args:
            name: of the rig, also in the new text.
            text: of a rig file.
            etag: `Rig.etag` as it was read.

        Raises:
            NotFoundError: the service has no such rig.
            ConflictError: the rig has changed since it was read.
            InvalidArgumentError: the text is no rig file; `violations` has each mistake.
        """
        return self._run(calls_rigs.replace_rig(name, text, etag))

    def delete_rig(self, name: str, etag: str) -> None:
        """Delete a rig; its revisions stay.

        Raises:
            NotFoundError, ConflictError: as for `replace_rig`.
        """
        self._run(calls_rigs.delete_rig(name, etag))

    def revisions(self, name: str) -> list[results.Revision]:
        """List the texts that a rig has had, newest first, without the texts; also of a deleted rig.

        Raises:
            NotFoundError: the service has never had such a rig.
        """
        return self._run(calls_rigs.list_revisions(name))

    def revision(self, name: str, number: int) -> results.Revision:
        """Get one text that a rig has had.

        Raises:
            NotFoundError: there is none of that number.
        """
        return self._run(calls_rigs.get_revision(name, number))

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

    def tables(self, rig_name: str) -> list[results.Table]:
        """List the tables of a rig, sorted by hash, without their files."""
        return self._run(calls_rigs.list_tables(rig_name))

    def table(self, rig_name: str, sha256: str) -> results.Table:
        """Get one table with its files.

        Raises:
            NotFoundError: there is none.
        """
        return self._run(calls_rigs.get_table(rig_name, sha256))

    def _run(self, steps: Generator[Step, Any, T]) -> T:
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
