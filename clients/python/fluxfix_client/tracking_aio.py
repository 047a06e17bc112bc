"""Keeping a track going over streams that may break, for asyncio."""

import asyncio
from collections.abc import AsyncGenerator, AsyncIterable, AsyncIterator
from typing import Any

import grpc

from fluxfix_client.tracks import ATTEMPTS, FIRST_PAUSE_S, Batches, Progress, Sample, Tracks, pieces_of, tracks_from
from fluxfix_client.v1 import solve_service_pb2

AnyBatches = Batches | AsyncIterable[Sample]


class _Source:
    """The caller's batches, one piece after the other; each is fetched once, and in order."""

    def __init__(self, batches: AnyBatches, progress: Progress) -> None:
        self._pieces = _pieces(batches)
        self._progress = progress
        self._fetching = asyncio.Lock()
        self._next: asyncio.Task[Any] | None = None
        self.failure: Exception | None = None

    async def requests(self, first: int) -> AsyncIterator[solve_service_pb2.TrackReadingsRequest]:
        """Give the messages of a stream that begins with the piece of number `first`."""
        number = first
        while await self._there(number):
            yield self._progress.request(number, first)
            number += 1

    async def _there(self, number: int) -> bool:
        async with self._fetching:
            if number < self._progress.end:
                return True
            if self._next is None:
                self._next = asyncio.ensure_future(_next(self._pieces))
            try:
                piece = await asyncio.shield(self._next)  # a stream that breaks leaves it to the one that follows
            except Exception as error:
                self.failure = error
                return False
            if piece is None:
                return False
            self._next = None
            self._progress.add(piece)
            return True

    def close(self) -> None:
        """Ask for no more."""
        if self._next is not None:
            self._next.cancel()


async def _next(pieces: AsyncIterator[Any]) -> Any:
    return await anext(pieces, None)


async def _pieces(batches: AnyBatches) -> AsyncIterator[Any]:
    if isinstance(batches, AsyncIterable):
        async for batch in batches:
            for piece in pieces_of(batch):
                yield piece
    else:
        for batch in batches:
            for piece in pieces_of(batch):
                yield piece


async def followed(method: Any, batches: AnyBatches, progress: Progress, metadata: Any) -> AsyncGenerator[Tracks, None]:
    """Give the tracks of every batch, in order; see tracking.followed."""
    source, failed = _Source(batches, progress), 0
    try:
        while True:
            before = progress.answered
            call = method(source.requests(before), metadata=metadata)
            try:
                async for answer in call:
                    yield tracks_from(progress.take(answer), answer.tracks)
            except grpc.RpcError as error:
                failed = failed + 1 if progress.answered == before else 1
                if error.code() is not grpc.StatusCode.UNAVAILABLE or failed >= ATTEMPTS:
                    raise
                await asyncio.sleep(FIRST_PAUSE_S * 2 ** (failed - 1))
            else:
                if source.failure is not None:
                    raise source.failure
                return
            finally:
                call.cancel()  # without effect on a call that has ended
    finally:
        source.close()
