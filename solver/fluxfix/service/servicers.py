"""Every service of the wire, and how a server gets them all."""

import threading
from collections.abc import Mapping, Sequence

import grpc

from fluxfix.service.fairness import Fairness
from fluxfix.service.methods import LaneName
from fluxfix.service.ports import Rigs, Works
from fluxfix.service.servicers_calibration import CalibrationServicer
from fluxfix.service.servicers_rig import RigServicer
from fluxfix.service.servicers_solve import SolveServicer
from fluxfix.service.servicers_study import StudyServicer
from fluxfix.service.servicers_table import TableServicer
from fluxfix.service.short_readings import ShortReadings
from fluxfix.service.store import RigStore
from fluxfix.service.works import Facade
from fluxfix_client.v1 import calibration_service_pb2 as calibration
from fluxfix_client.v1 import calibration_service_pb2_grpc as calibration_grpc
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1 import rig_service_pb2_grpc as rigs_grpc
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1 import solve_service_pb2_grpc as solving_grpc
from fluxfix_client.v1 import study_service_pb2 as studies
from fluxfix_client.v1 import study_service_pb2_grpc as studies_grpc
from fluxfix_client.v1 import table_service_pb2 as tables
from fluxfix_client.v1 import table_service_pb2_grpc as tables_grpc

SERVICES: Sequence[str] = tuple(
    service.full_name
    for definitions in (rigs, solving, calibration, tables, studies)
    for service in definitions.DESCRIPTOR.services_by_name.values()
)
"""Full names, such as "fluxfix.v1.RigService"."""


def add_to(
    server: grpc.Server,
    store: RigStore,
    works: Works | None = None,
    short: ShortReadings | None = None,
    fairness: Fairness | None = None,
    ready: Mapping[LaneName, Rigs] | None = None,
    exact: Mapping[LaneName, Rigs] | None = None,
    stopping: threading.Event | None = None,
) -> None:
    """Let a server answer every service.

    Args:
        server: not started yet.
        store: the rigs.
        works: the long functions; None takes the façade's.
        short: learns which single readings it can answer.
        fairness: lets batches give way to live answers.
        ready: where calls of a lane get the rigs that they solve with; None takes them as they are.
        exact: likewise, those that they solve with on the exact model.
        stopping: once it is set, streams end at their next message, to go on elsewhere.
    """
    works = Facade() if works is None else works
    fairness = Fairness() if fairness is None else fairness
    short = ShortReadings(store, fairness) if short is None else short
    ready = dict.fromkeys(LaneName, store) if ready is None else ready
    rigs_grpc.add_RigServiceServicer_to_server(RigServicer(store), server)  # type: ignore[no-untyped-call]  # generated
    solving_grpc.add_SolveServiceServicer_to_server(
        SolveServicer(ready, ready if exact is None else exact, short, fairness, stopping or threading.Event()), server
    )  # type: ignore[no-untyped-call]  # generated
    calibration_grpc.add_CalibrationServiceServicer_to_server(CalibrationServicer(store, works), server)  # type: ignore[no-untyped-call]  # generated
    tables_grpc.add_TableServiceServicer_to_server(TableServicer(store, works), server)  # type: ignore[no-untyped-call]  # generated
    studies_grpc.add_StudyServiceServicer_to_server(StudyServicer(store, works), server)  # type: ignore[no-untyped-call]  # generated
