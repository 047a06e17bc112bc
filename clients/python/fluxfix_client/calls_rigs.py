"""What the functions about rigs ask of the service; see calls.py for how they are made."""

from fluxfix_client import convert, convert_results, results
from fluxfix_client.steps import Call, Steps
from fluxfix_client.v1 import rig_service_pb2 as wire
from fluxfix_client.v1 import table_service_pb2
from fluxfix_client.values import Rig


def rigs() -> Steps[list[Rig]]:
    """List the rigs that the service can solve, sorted by name, without their text."""
    rigs: list[Rig] = []
    token = ""
    while True:
        answer = yield Call("ListRigs", wire.ListRigsRequest(page_token=token))
        rigs += [convert.rig_from(rig) for rig in answer.rigs]
        token = answer.next_page_token
        if not token:
            return rigs


def rig(name: str) -> Steps[Rig]:
    """Get one rig with the text of its file.

    Raises:
        NotFoundError: the service has no such rig.
        FluxfixClientError: the rig file makes no sense; the message says why.
    """
    answer = yield Call("GetRig", wire.GetRigRequest(name=convert.resource(name)))
    return convert.rig_from(answer.rig)


def create_rig(text: str) -> Steps[Rig]:
    """Let the service keep a new rig, by the name in the text of its file.

    Raises:
        InvalidArgumentError: the text is no rig file; `violations` has each mistake.
        ConflictError: there is a rig of that name.
    """
    answer = yield Call("CreateRig", wire.CreateRigRequest(rig=wire.Rig(toml_text=text)))
    return convert.rig_from(answer.rig)


def replace_rig(name: str, text: str, etag: str) -> Steps[Rig]:
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
    rig = wire.Rig(name=convert.resource(name), toml_text=text, etag=etag)
    answer = yield Call("UpdateRig", wire.UpdateRigRequest(rig=rig))
    return convert.rig_from(answer.rig)


def delete_rig(name: str, etag: str) -> Steps[None]:
    """Delete a rig; its revisions stay.

    Raises:
        NotFoundError, ConflictError: as for `replace_rig`.
    """
    yield Call("DeleteRig", wire.DeleteRigRequest(name=convert.resource(name), etag=etag))


def revisions(name: str) -> Steps[list[results.Revision]]:
    """List the texts that a rig has had, newest first, without the texts; also of a deleted rig.

    Raises:
        NotFoundError: the service has never had such a rig.
    """
    found: list[results.Revision] = []
    token = ""
    while True:
        request = wire.ListRigRevisionsRequest(parent=convert.resource(name), page_token=token)
        answer = yield Call("ListRigRevisions", request)
        found += [convert_results.revision_from(one) for one in answer.rig_revisions]
        token = answer.next_page_token
        if not token:
            return found


def revision(name: str, number: int) -> Steps[results.Revision]:
    """Get one text that a rig has had.

    Raises:
        NotFoundError: there is none of that number.
    """
    request = wire.GetRigRevisionRequest(name=f"{convert.resource(name)}/revisions/{number}")
    answer = yield Call("GetRigRevision", request)
    return convert_results.revision_from(answer.rig_revision)


def tables(rig_name: str) -> Steps[list[results.Table]]:
    """List the tables of a rig, sorted by hash, without their files."""
    found: list[results.Table] = []
    token = ""
    while True:
        request = table_service_pb2.ListTablesRequest(parent=convert.resource(rig_name), page_token=token)
        answer = yield Call("ListTables", request)
        found += [convert_results.table_from(one) for one in answer.tables]
        token = answer.next_page_token
        if not token:
            return found


def table(rig_name: str, sha256: str) -> Steps[results.Table]:
    """Get one table with its files.

    Raises:
        NotFoundError: there is none.
    """
    request = table_service_pb2.GetTableRequest(name=f"{convert.resource(rig_name)}/tables/{sha256}")
    answer = yield Call("GetTable", request)
    return convert_results.table_from(answer.table)
