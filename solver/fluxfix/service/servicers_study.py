"""StudyService: simulated readings, studies of sampling rates, surveys; nothing is kept."""

from collections.abc import Iterator

import grpc

from fluxfix.service import convert, convert_fixes, convert_surveys, convert_works
from fluxfix.service.errors import CancelledError, answered_in_parts, blaming
from fluxfix.service.long_work import Caller, Result, Step, steps
from fluxfix.service.ports import Works
from fluxfix.service.store import RigStore
from fluxfix_client.calls import MAX_READINGS
from fluxfix_client.v1 import study_service_pb2 as wire
from fluxfix_client.v1 import study_service_pb2_grpc, survey_pb2


class StudyServicer(study_service_pb2_grpc.StudyServiceServicer):
    """Simulating and studying."""

    def __init__(self, store: RigStore, works: Works) -> None:
        self._store = store
        self._works = works

    @answered_in_parts
    def SimulateReadings(
        self, request: wire.SimulateReadingsRequest, context: grpc.ServicerContext
    ) -> Iterator[wire.SimulateReadingsResponse]:
        """Compute readings piece by piece."""
        rig = self._store.get(convert.rig_name(request.name))
        positions = convert_works.positions(request, rig)
        seed, noise = convert_works.seed(request), convert_fixes.noise(request.noise_millitesla, rig)
        for number, start in enumerate(range(0, max(len(positions), 1), MAX_READINGS)):
            if not context.is_active():
                raise CancelledError("the call ended before the work did")
            piece = positions[start : start + MAX_READINGS]
            found = rig.readings(piece) if request.exact else rig.simulate(piece, [seed, number], noise)
            yield wire.SimulateReadingsResponse(
                progress=convert_works.progress(Step(start + len(piece), max(len(positions), 1))),
                count=len(piece),
                column_count=len(rig.columns),
                flux_density_millitesla=convert_fixes.packed(found),
            )

    @answered_in_parts
    def StudyRates(
        self, request: wire.StudyRatesRequest, context: grpc.ServicerContext
    ) -> Iterator[wire.StudyRatesResponse]:
        """Study sampling rates."""
        rig = self._store.get(convert.rig_name(request.name))

        def work(caller: Caller) -> wire.RatesStudy:
            speeds, rates = dict(request.speeds), list(request.rates_hertz) or None
            with blaming("speeds", {"rates": "rates_hertz"}):
                return convert_works.rates_study(self._works.study_rates(rig, speeds, rates, caller.report))

        for step in steps(context, work):
            if isinstance(step, Result):
                yield wire.StudyRatesResponse(study=step.value)
            else:
                yield wire.StudyRatesResponse(progress=convert_works.progress(step))

    @answered_in_parts
    def SurveyRig(
        self, request: wire.SurveyRigRequest, context: grpc.ServicerContext
    ) -> Iterator[wire.SurveyRigResponse]:
        """Survey a rig over its travel."""
        rig = self._store.get(convert.rig_name(request.name))
        box_pairs, seconds = convert_surveys.box_pairs(request), request.max_seconds or None

        def work(caller: Caller) -> survey_pb2.Survey:
            with blaming("resolutions", {"budget": "max_seconds"}):
                found = self._works.survey(rig, dict(request.resolutions), box_pairs, seconds, caller.report)
            return convert_surveys.survey(found)

        for step in steps(context, work):
            if isinstance(step, Result):
                yield wire.SurveyRigResponse(survey=step.value)
            else:
                yield wire.SurveyRigResponse(progress=convert_works.progress(step))
