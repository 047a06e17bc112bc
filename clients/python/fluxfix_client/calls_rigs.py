"""What the functions about rigs ask of the service; see calls.py for how they are made."""

from collections.abc import Generator
from typing import Any

from fluxfix_client import convert, convert_results, results
from fluxfix_client.steps import Call, Step
from fluxfix_client.v1 import rig_service_pb2 as wire
from fluxfix_client.v1 import table_service_pb2
from fluxfix_client.values import Rig


def list_rigs() -> Generator[Step, Any, list[Rig]]:
    """List every rig, page by page."""
    rigs: list[Rig] = []
    token = ""
    while True:
        answer = yield Call("ListRigs", wire.ListRigsRequest(page_token=token))
        rigs += [convert.rig_from(rig) for rig in answer.rigs]
        token = answer.next_page_token
        if not token:
            return rigs


def get_rig(name: str) -> Generator[Step, Any, Rig]:
    """Get one rig with its text."""
    answer = yield Call("GetRig", wire.GetRigRequest(name=convert.resource(name)))
    return convert.rig_from(answer.rig)


def create_rig(text: str) -> Generator[Step, Any, Rig]:
    """Create a rig."""
    answer = yield Call("CreateRig", wire.CreateRigRequest(rig=wire.Rig(toml_text=text)))
    return convert.rig_from(answer.rig)


def replace_rig(name: str, text: str, etag: str) -> Generator[Step, Any, Rig]:
    """Give a rig another text."""
    rig = wire.Rig(name=convert.resource(name), toml_text=text, etag=etag)
    answer = yield Call("UpdateRig", wire.UpdateRigRequest(rig=rig))
    return convert.rig_from(answer.rig)


def delete_rig(name: str, etag: str) -> Generator[Step, Any, None]:
    """Delete a rig."""
    yield Call("DeleteRig", wire.DeleteRigRequest(name=convert.resource(name), etag=etag))


def list_revisions(name: str) -> Generator[Step, Any, list[results.Revision]]:
    """List every text that a rig has had, page by page."""
    found: list[results.Revision] = []
    token = ""
    while True:
        request = wire.ListRigRevisionsRequest(parent=convert.resource(name), page_token=token)
        answer = yield Call("ListRigRevisions", request)
        found += [convert_results.revision_from(one) for one in answer.rig_revisions]
        token = answer.next_page_token
        if not token:
            return found


def get_revision(name: str, number: int) -> Generator[Step, Any, results.Revision]:
    """Get one text that a rig has had."""
    request = wire.GetRigRevisionRequest(name=f"{convert.resource(name)}/revisions/{number}")
    answer = yield Call("GetRigRevision", request)
    return convert_results.revision_from(answer.rig_revision)


def list_tables(name: str) -> Generator[Step, Any, list[results.Table]]:
    """List every table of a rig, page by page."""
    found: list[results.Table] = []
    token = ""
    while True:
        request = table_service_pb2.ListTablesRequest(parent=convert.resource(name), page_token=token)
        answer = yield Call("ListTables", request)
        found += [convert_results.table_from(one) for one in answer.tables]
        token = answer.next_page_token
        if not token:
            return found


def get_table(name: str, sha256: str) -> Generator[Step, Any, results.Table]:
    """Get one table with its files."""
    request = table_service_pb2.GetTableRequest(name=f"{convert.resource(name)}/tables/{sha256}")
    answer = yield Call("GetTable", request)
    return convert_results.table_from(answer.table)
