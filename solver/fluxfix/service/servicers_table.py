"""TableService: building tables, and giving them out again."""

from collections.abc import Iterator

import grpc

from fluxfix.service import convert, convert_works, pages
from fluxfix.service.errors import answered, answered_in_parts, blaming
from fluxfix.service.long_work import Caller, Result, steps
from fluxfix.service.ports import Works
from fluxfix.service.store import RigStore
from fluxfix_client.v1 import table_service_pb2 as wire
from fluxfix_client.v1 import table_service_pb2_grpc

_FIELDS = {
    "bytes": "max_coefficient_bytes",
    "instructions": "max_instructions",
    "core": "core",
    "interpolation": "interpolation",
}
"""Fields of a request, by how the façade calls its arguments."""


class TableServicer(table_service_pb2_grpc.TableServiceServicer):
    """Building, listing and getting tables."""

    def __init__(self, store: RigStore, works: Works) -> None:
        self._store = store
        self._works = works

    @answered_in_parts
    def BuildTable(
        self, request: wire.BuildTableRequest, context: grpc.ServicerContext
    ) -> Iterator[wire.BuildTableResponse]:
        """Build a table and keep it."""
        rig = self._store.get(convert.rig_name(request.parent, "parent"))

        def work(caller: Caller) -> wire.Table:
            with blaming("error", _FIELDS):
                made = self._works.build_table(rig, request.error or None, caller.report, _limits(request))
            files = {name: text.encode() for name, text in made.files().items()}
            caller.check()
            return convert_works.table(self._store.tables.keep(rig.name, files), with_files=True)

        for step in steps(context, work):
            if isinstance(step, Result):
                yield wire.BuildTableResponse(table=step.value)
            else:
                yield wire.BuildTableResponse(progress=convert_works.progress(step))

    @answered
    def ListTables(self, request: wire.ListTablesRequest, _context: grpc.ServicerContext) -> wire.ListTablesResponse:
        """List one page of the tables of a rig."""
        rig, kept = convert.rig_name(request.parent, "parent"), self._store.tables
        hashes, token = pages.page(request.page_size, request.page_token, kept.names(rig), str)
        tables = [convert_works.table(kept.get(rig, sha256), with_files=False) for sha256 in hashes]
        return wire.ListTablesResponse(tables=tables, next_page_token=token)

    @answered
    def GetTable(self, request: wire.GetTableRequest, _context: grpc.ServicerContext) -> wire.GetTableResponse:
        """Give one table with its files."""
        table = self._store.tables.get(*convert.table_name(request.name))
        return wire.GetTableResponse(table=convert_works.table(table, with_files=True))


def _limits(request: wire.BuildTableRequest) -> dict[str, int | str | None]:
    """Read what a table is limited to; what is left open is None."""
    return {
        "max_bytes": request.max_coefficient_bytes or None,
        "max_instructions": request.max_instructions or None,
        "core": request.core or None,
        "interpolation": request.interpolation or None,
    }
