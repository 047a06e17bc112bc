"""Messages that are put together by hand have the bytes that the library would write."""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluxfix.service import packing
from fluxfix_client.v1 import fix_pb2, rig_service_pb2, solve_service_pb2

DOUBLE = struct.Struct("<d")


@given(st.integers(0, 2**31 - 1))
def test_numbers(number: int) -> None:
    """Counts of every length; the library is the truth."""
    made = b"\x08" + packing.varint(number) if number else b""

    assert made == fix_pb2.FixColumns(count=number).SerializeToString()


@pytest.mark.parametrize("count", [0, 1, 15, 16, 127, 128, 5000])
@pytest.mark.parametrize("joints", [1, 2, 4])
def test_columns(count: int, joints: int) -> None:
    """Arrays, memory and bytes, some of them empty, with lengths of one to three bytes."""
    position = np.arange(float(count * joints)).reshape(count, joints)
    status = np.arange(count, dtype="<i4")
    made = packing.columns(1, count, joints, {3: position, 4: b"", 8: status.data})

    assert (
        b"".join(made)
        == solve_service_pb2.SolveReadingsResponse(
            fixes=fix_pb2.FixColumns(
                count=count, joint_count=joints, position=position.tobytes(), status=status.tobytes()
            )
        ).SerializeToString()
    )


@pytest.mark.parametrize("number", [0.0, -0.0, 1.5, float("nan"), float("-inf")])
def test_single_fields(number: float) -> None:
    """A number and a text, which are left out where they are 0 or empty; minus zero is not 0."""
    for state in (b"", bytes(424)):
        expected = solve_service_pb2.TrackReadingsResponse(last_t_seconds=number, state=state)
        made = packing.double(2, DOUBLE.pack(number)) + packing.text(3, state)
        assert made == expected.SerializeToString()


def test_text_of_other_messages() -> None:
    """The number of the field is the caller's."""
    assert packing.text(1, b"rigs/stick") == rig_service_pb2.GetRigRequest(name="rigs/stick").SerializeToString()
