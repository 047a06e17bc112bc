"""SolveService: each method converts in, makes one call, and converts out."""

import threading
from collections.abc import Iterator, Mapping

import grpc

from fluxfix.service import convert, convert_fixes, convert_tracks, faults
from fluxfix.service.errors import answered, answered_in_parts, blaming
from fluxfix.service.fairness import Fairness
from fluxfix.service.messages import Messages
from fluxfix.service.methods import LaneName
from fluxfix.service.ports import Rigs, ServedRig
from fluxfix.service.short_readings import ShortReadings
from fluxfix_client.v1 import solve_service_pb2 as wire
from fluxfix_client.v1 import solve_service_pb2_grpc


class SolveServicer(solve_service_pb2_grpc.SolveServiceServicer):
    """Solving readings; each method gets its rigs as its lane does. Bulky answers are bytes already."""

    def __init__(
        self,
        rigs: Mapping[LaneName, Rigs],
        exact: Mapping[LaneName, Rigs],
        short: ShortReadings,
        fairness: Fairness,
        stopping: threading.Event,
    ) -> None:
        """Name where each lane's calls get their rigs, on the fast form and on the exact model; what ends streams."""
        self._rigs, self._exact = rigs, exact
        self._short, self._fairness = short, fairness
        self._stopping = stopping

    @answered
    def SolveReading(
        self, request: wire.SolveReadingRequest, context: grpc.ServicerContext
    ) -> wire.SolveReadingResponse:
        """Solve one reading."""
        self._fairness.live()
        rig = self._rig(LaneName.LIVE, request, context)
        values = convert_fixes.reading(request, rig)
        if not request.noise_millitesla and not request.exact:
            self._short.learn(rig)
            return convert_fixes.single_response(rig.single().solve(values))
        noise = convert_fixes.noise(request.noise_millitesla, rig)
        return wire.SolveReadingResponse(fix=convert_fixes.fix(rig.solve(values, noise, request.exact)))

    @answered
    def SolveReadings(self, request: wire.SolveReadingsRequest, context: grpc.ServicerContext) -> bytes:
        """Solve many readings."""
        rig = self._rig(LaneName.BULK, request, context)
        noise = convert_fixes.noise(request.noise_millitesla, rig)
        fixes = rig.solve(convert_fixes.readings(request, rig), noise, request.exact)
        return convert_fixes.many_response(fixes)

    @answered_in_parts
    def TrackReadings(
        self, request_iterator: Messages[wire.TrackReadingsRequest], context: grpc.ServicerContext
    ) -> Iterator[bytes]:
        """Follow a rig in time."""
        request = next(request_iterator, None)
        if request is None:
            return  # whoever ended the stream before its first message has been told why, or has gone
        rig = self._rigs[LaneName.STREAM].get(convert.rig_name(request.name), context.time_remaining())
        with blaming("options", convert_tracks.FIELDS):
            tracker = rig.tracker(**convert_tracks.options(request, rig))

        def follow(message: wire.TrackReadingsRequest) -> bytes:
            if self._stopping.is_set():
                raise faults.StoppingError
            self._fairness.live()
            tracks = tracker.track_bytes(*convert_tracks.samples(message, rig))
            return convert_tracks.response(tracks, tracker, rig)

        # A sample that has to be found anew, and any solver but native code, take too long for everybody's thread.
        request_iterator.answer_short(lambda message: follow(message) if tracker.is_brief(message.count) else None)
        while request is not None:
            yield follow(request)
            request = next(request_iterator, None)

    def _rig(
        self,
        lane: LaneName,
        request: wire.SolveReadingRequest | wire.SolveReadingsRequest,
        context: grpc.ServicerContext,
    ) -> ServedRig:
        rigs = self._exact if request.exact else self._rigs
        return rigs[lane].get(convert.rig_name(request.name), context.time_remaining())
