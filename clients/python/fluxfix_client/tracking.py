"""Keeping a track going over streams that may break, by waiting."""

import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import grpc

from fluxfix_client.tracks import ATTEMPTS, FIRST_PAUSE_S, Batches, Progress, Tracks, pieces_of, tracks_from
from fluxfix_client.v1 import solve_service_pb2


class _Source:
    """The caller's batches, one piece after the other; whoever asks, each piece is fetched once, and in order."""

    def __init__(self, batches: Batches, progress: Progress) -> None:
        self._pieces = (piece for batch in batches for piece in pieces_of(batch))
        self._progress = progress
        self._fetching = threading.Lock()
        self.lock = threading.Lock()
        self.failure: Exception | None = None
        """What the caller's batches raised."""

    def requests(self, first: int, ended: Callable[[], bool]) -> Iterator[solve_service_pb2.TrackReadingsRequest]:
        """Give the messages of a stream that begins with the piece of number `first`; gRPC asks in a thread of its own.

        A thread of a broken stream that waits for the caller's next piece leaves it to the stream that follows.
        """
        number = first
        while self._there(number):
            with self.lock:
                if ended():
                    return
                message = self._progress.request(number, first)
            yield message
            number += 1

    def _there(self, number: int) -> bool:
        with self._fetching:
            if number < self._progress.end:
                return True
            try:
                piece = next(self._pieces, None)
            except Exception as error:  # it is raised where the caller waits
                self.failure = error
                return False
            if piece is None:
                return False
            with self.lock:
                self._progress.add(piece)
            return True


def followed(method: Any, batches: Batches, progress: Progress, metadata: Any) -> Iterator[Tracks]:
    """Give the tracks of every batch, in order.

    Args:
        method: TrackReadings of a channel of grpc.
        batches: the caller's; fetched ahead of the answers, in another thread.
        progress: of a new track.
        metadata: goes with every call.

    Raises:
        grpc.RpcError: a call failed, and it was not for the lack of a service, or that lasted too long.
        Exception: what the batches raised.
    """
    source, failed = _Source(batches, progress), 0
    while True:
        over = threading.Event()
        before = progress.answered
        call = method(source.requests(before, over.is_set), metadata=metadata)
        try:
            for answer in call:
                with source.lock:
                    t_s = progress.take(answer)
                yield tracks_from(t_s, answer.tracks)
        except grpc.RpcError as error:
            failed = failed + 1 if progress.answered == before else 1
            if error.code() is not grpc.StatusCode.UNAVAILABLE or failed >= ATTEMPTS:
                raise
            time.sleep(FIRST_PAUSE_S * 2 ** (failed - 1))
        else:
            if source.failure is not None:
                raise source.failure
            return
        finally:
            over.set()
            call.cancel()  # without effect on a call that has ended
