"""RigService: each method converts in, makes one call, and converts out."""

import grpc

from fluxfix.service import convert, pages
from fluxfix.service.errors import answered
from fluxfix.service.store import RigStore
from fluxfix_client.v1 import rig_service_pb2 as wire
from fluxfix_client.v1 import rig_service_pb2_grpc

_KEY_DIGITS = 12
_LAST_KEY = 10**_KEY_DIGITS


class RigServicer(rig_service_pb2_grpc.RigServiceServicer):
    """Listing, getting and changing rigs."""

    def __init__(self, store: RigStore) -> None:
        self._store = store

    @answered
    def ListRigs(self, request: wire.ListRigsRequest, _context: grpc.ServicerContext) -> wire.ListRigsResponse:
        """List one page of rigs."""
        rigs, token = pages.page(request.page_size, request.page_token, self._store.rigs(), lambda rig: rig.name)
        return wire.ListRigsResponse(rigs=[convert.rig(rig, with_text=False) for rig in rigs], next_page_token=token)

    @answered
    def GetRig(self, request: wire.GetRigRequest, _context: grpc.ServicerContext) -> wire.GetRigResponse:
        """Give one rig with its text."""
        rig = self._store.get(convert.rig_name(request.name))
        return wire.GetRigResponse(rig=convert.rig(rig, with_text=True))

    @answered
    def CreateRig(self, request: wire.CreateRigRequest, _context: grpc.ServicerContext) -> wire.CreateRigResponse:
        """Keep a new rig."""
        rig = self._store.create(convert.rig_text(request.rig), request.rig_id)
        return wire.CreateRigResponse(rig=convert.rig(rig, with_text=True))

    @answered
    def UpdateRig(self, request: wire.UpdateRigRequest, _context: grpc.ServicerContext) -> wire.UpdateRigResponse:
        """Give a rig another text."""
        convert.check_mask(request.update_mask)
        name, etag = convert.rig_name(request.rig.name, "rig.name"), convert.etag(request.rig.etag, "rig.etag")
        rig = self._store.replace(name, convert.rig_text(request.rig), etag)
        return wire.UpdateRigResponse(rig=convert.rig(rig, with_text=True))

    @answered
    def DeleteRig(self, request: wire.DeleteRigRequest, _context: grpc.ServicerContext) -> wire.DeleteRigResponse:
        """Remove a rig."""
        self._store.delete(convert.rig_name(request.name), convert.etag(request.etag, "etag"))
        return wire.DeleteRigResponse()

    @answered
    def ListRigRevisions(
        self, request: wire.ListRigRevisionsRequest, _context: grpc.ServicerContext
    ) -> wire.ListRigRevisionsResponse:
        """List one page of the texts that a rig has had."""
        name = convert.rig_name(request.parent, "parent")
        found, token = pages.page(
            request.page_size,
            request.page_token,
            self._store.revisions(name),
            lambda revision: f"{_LAST_KEY - revision.number:0{_KEY_DIGITS}}",  # keys ascend, numbers descend
        )
        return wire.ListRigRevisionsResponse(
            rig_revisions=[convert.revision(name, revision) for revision in found], next_page_token=token
        )

    @answered
    def GetRigRevision(
        self, request: wire.GetRigRevisionRequest, _context: grpc.ServicerContext
    ) -> wire.GetRigRevisionResponse:
        """Give one text that a rig has had."""
        name, number = convert.revision_name(request.name)
        revision, rig = self._store.revision(name, number)
        return wire.GetRigRevisionResponse(rig_revision=convert.revision(name, revision, rig))
