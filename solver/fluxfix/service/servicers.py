"""The methods of the wire: each converts in, makes one call, and converts out."""

import base64
import binascii

import grpc

from fluxfix.service import convert
from fluxfix.service.errors import RequestError, answered
from fluxfix.service.store import RigStore
from fluxfix_client.v1 import rig_service_pb2, rig_service_pb2_grpc, solve_service_pb2, solve_service_pb2_grpc

DEFAULT_PAGE = 50
MAX_PAGE = 200


class RigServicer(rig_service_pb2_grpc.RigServiceServicer):
    """Listing and getting rigs."""

    def __init__(self, store: RigStore) -> None:
        self._store = store

    @answered
    def ListRigs(
        self, request: rig_service_pb2.ListRigsRequest, _context: grpc.ServicerContext
    ) -> rig_service_pb2.ListRigsResponse:
        """List one page of rigs."""
        size, after = _page(request)
        rest = [rig for rig in self._store.rigs() if rig.name > after]
        return rig_service_pb2.ListRigsResponse(
            rigs=[convert.rig(rig, with_text=False) for rig in rest[:size]],
            next_page_token=_token(rest[size - 1].name) if len(rest) > size else "",
        )

    @answered
    def GetRig(
        self, request: rig_service_pb2.GetRigRequest, _context: grpc.ServicerContext
    ) -> rig_service_pb2.GetRigResponse:
        """Give one rig with its text."""
        rig = self._store.get(convert.rig_name(request.name))
        return rig_service_pb2.GetRigResponse(rig=convert.rig(rig, with_text=True))


class SolveServicer(solve_service_pb2_grpc.SolveServiceServicer):
    """Solving readings."""

    def __init__(self, store: RigStore) -> None:
        self._store = store

    @answered
    def SolveReading(
        self, request: solve_service_pb2.SolveReadingRequest, _context: grpc.ServicerContext
    ) -> solve_service_pb2.SolveReadingResponse:
        """Solve one reading."""
        rig = self._store.get(convert.rig_name(request.name))
        fixes = rig.solve(convert.reading(request, rig), convert.noise(request.noise_millitesla, rig), request.exact)
        return solve_service_pb2.SolveReadingResponse(fix=convert.fix(fixes))

    @answered
    def SolveReadings(
        self, request: solve_service_pb2.SolveReadingsRequest, _context: grpc.ServicerContext
    ) -> solve_service_pb2.SolveReadingsResponse:
        """Solve many readings."""
        rig = self._store.get(convert.rig_name(request.name))
        fixes = rig.solve(convert.readings(request, rig), convert.noise(request.noise_millitesla, rig), request.exact)
        return solve_service_pb2.SolveReadingsResponse(fixes=convert.fix_columns(fixes))


def _page(request: rig_service_pb2.ListRigsRequest) -> tuple[int, str]:
    """Read how many rigs a page holds, and the name after which it begins."""
    if request.page_size < 0:
        raise RequestError(
            f"got page_size {request.page_size}, 0 to {MAX_PAGE} is allowed: send 0 for {DEFAULT_PAGE}",
            "page_size",
            "PAGE_SIZE_INVALID",
            page_size=request.page_size,
        )
    try:
        after = base64.b64decode(request.page_token.encode("ascii"), altchars=b"-_", validate=True).decode()
    except (ValueError, binascii.Error):
        raise RequestError(
            f"got page_token {request.page_token!r}, only a next_page_token is allowed: send the last one, or none",
            "page_token",
            "PAGE_TOKEN_INVALID",
            page_token=request.page_token,
        ) from None
    return min(request.page_size or DEFAULT_PAGE, MAX_PAGE), after


def _token(name: str) -> str:
    return base64.urlsafe_b64encode(name.encode()).decode("ascii")
