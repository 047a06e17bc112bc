"""Rigs changed over the wire: codes, details, and what the answers hold."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import grpc
import pytest
from google.protobuf.field_mask_pb2 import FieldMask
from google.rpc import error_details_pb2
from grpc_status import rpc_status

from fluxfix.service import RigStore, running
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from service.fakes import load, store_of
from service.wire import WAIT_S, refused

FIRST, SECOND = 'name = "stick"\n# 1\n', 'name = "stick"\n# 2\n'
NO_ETAG = "0" * 64


@pytest.fixture
def stub(tmp_path: Path) -> Iterator[RigServiceStub]:
    """A service with one rig in a folder of its own."""
    with running(store_of(tmp_path, stick=FIRST)) as service, grpc.insecure_channel(service.address) as channel:
        yield RigServiceStub(channel)


def get(stub: RigServiceStub, name: str = "rigs/stick") -> rigs.Rig:
    """Get a rig."""
    rig: rigs.Rig = stub.GetRig(rigs.GetRigRequest(name=name), timeout=WAIT_S).rig
    return rig


def update(text: str, etag: str, name: str = "rigs/stick", **fields: Any) -> rigs.UpdateRigRequest:
    """Give a request to update a rig."""
    return rigs.UpdateRigRequest(rig=rigs.Rig(name=name, toml_text=text, etag=etag), **fields)


def test_rig_is_created_updated_and_deleted(stub: RigServiceStub) -> None:
    """Each answer is the rig as it is now, and can be the base of the next change."""
    text = 'name = "new"\n'
    created = stub.CreateRig(rigs.CreateRigRequest(rig=rigs.Rig(toml_text=text), rig_id="new")).rig
    assert created == get(stub, "rigs/new")
    assert (created.name, created.toml_text, created.etag) == ("rigs/new", text, created.sha256)

    updated = stub.UpdateRig(update(text + "# 2\n", created.etag, created.name)).rig
    assert updated == get(stub, "rigs/new")
    assert updated.etag != created.etag

    stub.DeleteRig(rigs.DeleteRigRequest(name="rigs/new", etag=updated.etag))
    assert refused(stub.GetRig, rigs.GetRigRequest(name="rigs/new"))[:2] == ("NOT_FOUND", "RIG_NOT_FOUND")


def test_lost_update_is_refused(stub: RigServiceStub) -> None:
    """Two callers read, both change: the second one is told (RFC 9110 section 13.1.1 has the same for HTTP)."""
    seen = get(stub).etag
    stub.UpdateRig(update(SECOND, seen))

    for call, request in (
        (stub.UpdateRig, update(FIRST + "# other\n", seen)),
        (stub.DeleteRig, rigs.DeleteRigRequest(name="rigs/stick", etag=seen)),
    ):
        code, reason, metadata = refused(call, request)
        assert (code, reason) == ("ABORTED", "ETAG_MISMATCH")
        assert metadata["etag"] == get(stub).etag
    assert get(stub).toml_text == SECOND


def test_two_servers_share_a_folder(tmp_path: Path) -> None:
    """Of two changes at the same time, each through a server of its own, one is taken and one is aborted."""
    stores = [store_of(tmp_path, stick=FIRST), RigStore(tmp_path, load)]
    with running(stores[0]) as one, running(stores[1]) as other, ThreadPoolExecutor(2) as pool:
        channels = [grpc.insecure_channel(service.address) for service in (one, other)]
        stubs = [RigServiceStub(channel) for channel in channels]
        for number in range(10):
            seen = get(stubs[number % 2]).etag

            def change(writer: int, number: int = number, seen: str = seen) -> str:
                try:
                    stubs[writer].UpdateRig(update(f'name = "stick"\n# {number} {writer}\n', seen), timeout=WAIT_S)
                except grpc.RpcError as error:
                    return str(error.code().name)
                return "OK"

            assert sorted(pool.map(change, (0, 1))) == ["ABORTED", "OK"]
            assert get(stubs[0]) == get(stubs[1])
        for channel in channels:
            channel.close()


@pytest.mark.parametrize(
    ("method", "request_", "code", "reason"),
    [
        ("CreateRig", rigs.CreateRigRequest(rig=rigs.Rig(toml_text=FIRST)), "ALREADY_EXISTS", "RIG_EXISTS"),
        (
            "CreateRig",
            rigs.CreateRigRequest(rig=rigs.Rig(toml_text='name = "x"'), rig_id="y"),
            "INVALID_ARGUMENT",
            "RIG_TEXT_INVALID",
        ),
        ("CreateRig", rigs.CreateRigRequest(), "INVALID_ARGUMENT", "RIG_TEXT_INVALID"),
        (
            "CreateRig",
            rigs.CreateRigRequest(rig=rigs.Rig(toml_text="#" * (2**21 + 1))),
            "INVALID_ARGUMENT",
            "RIG_TEXT_INVALID",
        ),
        ("UpdateRig", rigs.UpdateRigRequest(), "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ("UpdateRig", update(SECOND, ""), "INVALID_ARGUMENT", "ETAG_MISSING"),
        ("UpdateRig", update(SECOND, NO_ETAG, "rigs/nowhere"), "NOT_FOUND", "RIG_NOT_FOUND"),
        ("UpdateRig", update(SECOND, NO_ETAG), "ABORTED", "ETAG_MISMATCH"),
        (
            "UpdateRig",
            update(SECOND, NO_ETAG, update_mask=FieldMask(paths=["joints"])),
            "INVALID_ARGUMENT",
            "UPDATE_MASK_INVALID",
        ),
        ("DeleteRig", rigs.DeleteRigRequest(name="stick", etag=NO_ETAG), "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ("DeleteRig", rigs.DeleteRigRequest(name="rigs/../x", etag=NO_ETAG), "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ("DeleteRig", rigs.DeleteRigRequest(name="rigs/..", etag=NO_ETAG), "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ("DeleteRig", rigs.DeleteRigRequest(name="rigs/stick"), "INVALID_ARGUMENT", "ETAG_MISSING"),
        ("ListRigRevisions", rigs.ListRigRevisionsRequest(parent="stick"), "INVALID_ARGUMENT", "RIG_NAME_INVALID"),
        ("ListRigRevisions", rigs.ListRigRevisionsRequest(parent="rigs/nowhere"), "NOT_FOUND", "RIG_NOT_FOUND"),
        (
            "GetRigRevision",
            rigs.GetRigRevisionRequest(name="rigs/stick/revisions/0"),
            "INVALID_ARGUMENT",
            "REVISION_NAME_INVALID",
        ),
        (
            "GetRigRevision",
            rigs.GetRigRevisionRequest(name="rigs/stick/revisions/2"),
            "NOT_FOUND",
            "REVISION_NOT_FOUND",
        ),
    ],
)
def test_requests_that_make_no_sense_are_refused(
    stub: RigServiceStub, method: str, request_: Any, code: str, reason: str
) -> None:
    """Each mistake has its code and reason, and changes nothing."""
    assert refused(getattr(stub, method), request_)[:2] == (code, reason)
    assert get(stub).toml_text == FIRST


@pytest.mark.parametrize("paths", [[], ["*"], ["toml_text"]])
def test_mask_may_name_the_text(stub: RigServiceStub, paths: list[str]) -> None:
    """No mask, all, and the text mean the same (AIP-134)."""
    answer = stub.UpdateRig(update(SECOND, get(stub).etag, update_mask=FieldMask(paths=paths)))

    assert answer.rig.toml_text == SECOND


def test_each_mistake_in_a_text_is_a_violation(stub: RigServiceStub) -> None:
    """BadRequest names the field, and has the sentence that the command line prints behind the file's name."""
    text = 'name = "stick"\nbroken = 1\n'
    with pytest.raises(grpc.RpcError) as caught:
        stub.UpdateRig(update(text, get(stub).etag), timeout=WAIT_S)
    bad = error_details_pb2.BadRequest()
    status = rpc_status.from_call(caught.value)

    assert status is not None
    assert status.details[1].Unpack(bad)
    assert [(one.field, one.description) for one in bad.field_violations] == [
        ("rig.toml_text", "got key broken, no such key is allowed: remove it")
    ]


def test_revisions_are_listed_newest_first_over_pages(stub: RigServiceStub) -> None:
    """Pages join without gap or repeat; a revision holds the rig as it was."""
    for number in range(2, 8):
        stub.UpdateRig(update(f'name = "stick"\n# {number}\n', get(stub).etag))
    found: list[str] = []
    token = ""
    while True:
        request = rigs.ListRigRevisionsRequest(parent="rigs/stick", page_size=3, page_token=token)
        answer = stub.ListRigRevisions(request)
        found += [one.name for one in answer.rig_revisions]
        assert not any(one.HasField("snapshot") for one in answer.rig_revisions)
        token = answer.next_page_token
        if not token:
            break

    assert found == [f"rigs/stick/revisions/{number}" for number in range(7, 0, -1)]
    first = stub.GetRigRevision(rigs.GetRigRevisionRequest(name=found[-1])).rig_revision
    assert first.snapshot.toml_text == FIRST
    assert first.sha256 == first.snapshot.sha256
    assert first.create_time.seconds > 0


def test_revision_numbers_sort_as_numbers(stub: RigServiceStub) -> None:
    """The tenth comes after the ninth."""
    for number in range(2, 12):
        stub.UpdateRig(update(f'name = "stick"\n# {number}\n', get(stub).etag))
    listed = stub.ListRigRevisions(rigs.ListRigRevisionsRequest(parent="rigs/stick", page_size=4)).rig_revisions

    assert [one.name.rpartition("/")[2] for one in listed] == ["11", "10", "9", "8"]
