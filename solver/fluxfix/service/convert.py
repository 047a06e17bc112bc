"""Rigs, revisions and resource names, between values and the wire: pure functions."""

import re

from google.protobuf.field_mask_pb2 import FieldMask
from google.protobuf.timestamp_pb2 import Timestamp

from fluxfix.service.errors import RequestError
from fluxfix.service.ports import ServedJoint, ServedRig
from fluxfix.service.revisions import Revision
from fluxfix_client.v1 import rig_service_pb2

MAX_TEXT_BYTES = 2 * 2**20
_PREFIX = "rigs/"
_REVISION = re.compile(r"rigs/([^/]+)/revisions/([1-9][0-9]{0,8})")
_TABLE = re.compile(r"rigs/([^/]+)/tables/([0-9a-f]{64})")
_MASKS: tuple[list[str], ...] = ([], ["*"], ["toml_text"])


def rig_name(resource: str, field: str = "name") -> str:
    """Take the name of a rig out of its resource name.

    Args:
        resource: as it came.
        field: of the request, that holds it.

    Raises:
        RequestError: the text is not `rigs/{rig}`.
    """
    name = resource.removeprefix(_PREFIX)
    if not resource.startswith(_PREFIX) or not name or "/" in name or name.startswith("."):
        raise RequestError(
            f"got {field} {resource!r}, rigs/{{rig}} is needed: send for example rigs/boom-stick",
            field,
            "RIG_NAME_INVALID",
            name=resource,
        )
    return name


def revision_name(resource: str) -> tuple[str, int]:
    """Take rig and number out of the resource name of a revision.

    Raises:
        RequestError: the text is not `rigs/{rig}/revisions/{revision}`.
    """
    found = _REVISION.fullmatch(resource)
    if found is None or found[1].startswith("."):
        raise RequestError(
            f"got name {resource!r}, rigs/{{rig}}/revisions/{{revision}} is needed: send for example "
            "rigs/boom-stick/revisions/1",
            "name",
            "REVISION_NAME_INVALID",
            name=resource,
        )
    return found[1], int(found[2])


def table_name(resource: str) -> tuple[str, str]:
    """Take rig and hash out of the resource name of a table.

    Raises:
        RequestError: the text is not `rigs/{rig}/tables/{table}`.
    """
    found = _TABLE.fullmatch(resource)
    if found is None or found[1].startswith("."):
        raise RequestError(
            f"got name {resource!r}, rigs/{{rig}}/tables/{{table}} is needed: send a name that ListTables gives",
            "name",
            "TABLE_NAME_INVALID",
            name=resource,
        )
    return found[1], found[2]


def etag(value: str, field: str) -> str:
    """Read the state in which a caller has seen a rig.

    Raises:
        RequestError: there is none.
    """
    if not value:
        raise RequestError(
            f"got no {field}, the one that the rig was read with is needed: get the rig first", field, "ETAG_MISSING"
        )
    return value


def rig_text(message: rig_service_pb2.Rig) -> str:
    """Read the text of a rig file.

    Raises:
        RequestError: it is too long.
    """
    size = len(message.toml_text.encode())
    if size > MAX_TEXT_BYTES:
        raise RequestError(
            f"got a rig file of {size} bytes, {MAX_TEXT_BYTES} are allowed: leave out what is no rig",
            "rig.toml_text",
            "RIG_TEXT_INVALID",
            bytes=size,
            limit=MAX_TEXT_BYTES,
        )
    return message.toml_text


def check_mask(mask: FieldMask) -> None:
    """Refuse to change what cannot be changed.

    Raises:
        RequestError: the mask names anything but the text.
    """
    paths = list(mask.paths)
    if paths not in _MASKS:
        raise RequestError(
            f"got update_mask {', '.join(paths)}, only toml_text can be changed: send that, or none",
            "update_mask",
            "UPDATE_MASK_INVALID",
            update_mask=",".join(paths),
        )


def rig(served: ServedRig, with_text: bool) -> rig_service_pb2.Rig:
    """Write a rig, with the text of its file or without."""
    return rig_service_pb2.Rig(
        name=_PREFIX + served.name,
        joints=[_joint(joint) for joint in served.joints],
        reading_columns=served.columns,
        sha256=served.sha256,
        calibrated=served.calibrated,
        toml_text=served.text if with_text else "",
        etag=served.sha256,
    )


def _joint(joint: ServedJoint) -> rig_service_pb2.Joint:
    return rig_service_pb2.Joint(
        name=joint.name,
        kind=f"JOINT_KIND_{joint.kind.upper()}",
        unit=joint.unit,
        low=joint.low,
        high=joint.high,
        wraps=joint.wraps,
    )


def revision(name: str, kept: Revision, served: ServedRig | None = None) -> rig_service_pb2.RigRevision:
    """Write a revision, with the rig that it makes or without."""
    written = Timestamp()
    written.FromMicroseconds(int(kept.time_s * 1e6))
    return rig_service_pb2.RigRevision(
        name=f"{_PREFIX}{name}/revisions/{kept.number}",
        snapshot=None if served is None else rig(served, with_text=True),
        sha256=kept.sha256,
        create_time=written,
    )
