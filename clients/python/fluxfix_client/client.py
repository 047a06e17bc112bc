"""The client that waits for its answers."""

from collections.abc import Generator, Iterator, Mapping, Sequence
from typing import Any, Self, TypeVar

import grpc
import numpy as np
from numpy.typing import ArrayLike, NDArray

from fluxfix_client import calls, calls_rigs, calls_works, channel, errors, results, tracking, tracks, waiting
from fluxfix_client.steps import OnProgress, Step, Work
from fluxfix_client.values import Fixes, Rig

T = TypeVar("T")


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

    def simulate(
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
        """Compute the readings at positions.

        Args:
            rig_name: such as "boom-stick".
            positions: (n, d) or (d,), each joint in its unit; at most 4 MiB.
            seed: of the noise, 0 or more.
            noise_mT: rms noise of one conversion, a number or one a column; None takes the rig's own.
            exact: without noise, limits and steps.
            on_progress: told the readings done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Returns:
            (n, m) or (m,) in mT.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: positions, seed or noise make no sense for it.
        """
        steps = calls_works.simulate(
            rig_name,
            positions,
            seed=seed,
            noise_mT=noise_mT,
            exact=exact,
            on_progress=on_progress,
            timeout_s=timeout_s,
        )
        return self._run(steps)

    def calibrate(
        self,
        rig_name: str,
        recordings: calls_works.RecordingPaths,
        etag: str = "",
        *,
        keep: bool = True,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Calibration:
        """Fit the build of one unit to recordings with reference positions, and let the service keep it in the rig.

        Args:
            rig_name: such as "boom-stick".
            recordings: one path or several, .csv or .parquet, at most 64 MiB together.
            etag: `Rig.etag` as it was read; not needed unless `keep`.
            keep: replace the rig's text by the one with the calibration.
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Raises:
            NotFoundError: the service has no such rig.
            ConflictError: the rig has changed since it was read; nothing was kept.
            InvalidArgumentError: a recording makes no sense, or does not fit the rig.
        """
        steps = calls_works.calibrate(
            rig_name, recordings, etag=etag, keep=keep, on_progress=on_progress, timeout_s=timeout_s
        )
        return self._run(steps)

    def build_table(
        self,
        rig_name: str,
        error: str = "0.1%",
        *,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Table:
        """Make the smallest firmware table that reaches an error; the service keeps it, too.

        Args:
            rig_name: such as "boom-stick".
            error: percent of each joint's span ("0.1%"), or in the joints' unit ("0.05deg", "0.02mm").
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: the error has another form.
            FluxfixClientError: no such table can be made; the message says why.
        """
        return self._run(calls_works.build_table(rig_name, error, on_progress=on_progress, timeout_s=timeout_s))

    def tables(self, rig_name: str) -> list[results.Table]:
        """List the tables of a rig, sorted by hash, without their files."""
        return self._run(calls_rigs.list_tables(rig_name))

    def table(self, rig_name: str, sha256: str) -> results.Table:
        """Get one table with its files.

        Raises:
            NotFoundError: there is none.
        """
        return self._run(calls_rigs.get_table(rig_name, sha256))

    def study_rates(
        self,
        rig_name: str,
        speeds: Mapping[str, float] | None = None,
        rates_hz: Sequence[float] | None = None,
        *,
        on_progress: OnProgress | None = None,
        timeout_s: float = channel.DEFAULT_WORK_TIMEOUT_S,
    ) -> results.Rates:
        """Study sampling rates, with times of a solve measured on the server during the call.

        Args:
            rig_name: such as "boom-stick".
            speeds: by joint, in its unit per second; without one a joint passes its travel in 0.2 s.
            rates_hz: by default nine from 100 Hz to 50 kHz.
            on_progress: told the steps done and all of them.
            timeout_s: time allowed for all of it, in seconds.

        Raises:
            NotFoundError: the service has no such rig.
            InvalidArgumentError: a speed or rate makes no sense.
        """
        steps = calls_works.study_rates(rig_name, speeds, rates_hz, on_progress=on_progress, timeout_s=timeout_s)
        return self._run(steps)

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
