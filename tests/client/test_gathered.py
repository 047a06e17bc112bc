"""The fixes of a batch that is sent in pieces."""

import numpy as np
import pytest

from fluxfix_client import FluxfixClientError
from fluxfix_client.convert import Gathered
from fluxfix_client.v1 import fix_pb2
from fluxfix_client.v1.solve_service_pb2 import SolveReadingsResponse


def _answer(values: list[float], other: list[float] | None = None) -> SolveReadingsResponse:
    """Answers of one joint whose every number is given by the position."""
    row = np.array(values, "<f8")
    numbers = dict.fromkeys(("position", "covariance", "noise_covariance", "misfit"), row.tobytes())
    counts = dict.fromkeys(("dof", "status"), row.astype("<i4").tobytes())
    others = b"" if other is None else np.array(other, "<f8").tobytes()
    columns = fix_pb2.FixColumns(count=len(row), joint_count=1, **numbers, **counts, other_position=others)
    return SolveReadingsResponse(fixes=columns)


def test_pieces_are_put_in_their_places() -> None:
    """Every column holds the pieces one after the other; another position is there only where a piece has some."""
    gathered = Gathered(5)
    gathered.add(_answer([1.0, 2.0]))
    gathered.add(_answer([3.0, 4.0, 5.0], [7.0, 8.0, 9.0]))
    fixes = gathered.fixes()

    assert fixes.position.tolist() == [[1.0], [2.0], [3.0], [4.0], [5.0]]
    assert fixes.covariance.shape == fixes.noise_covariance.shape == (5, 1, 1)
    assert fixes.misfit.tolist() == fixes.dof.tolist() == fixes.status.tolist() == [1, 2, 3, 4, 5]
    assert (fixes.dof.dtype, fixes.status.dtype) == (np.int32, np.int32)
    np.testing.assert_array_equal(fixes.other[:, 0], [np.nan, np.nan, 7.0, 8.0, 9.0])


@pytest.mark.parametrize("answers", [[], [[1.0, 2.0]]])
def test_missing_fixes_are_an_error(answers: list[list[float]]) -> None:
    """Numbers that nobody sent are never given to a caller."""
    gathered = Gathered(3)
    for values in answers:
        gathered.add(_answer(values))
    with pytest.raises(FluxfixClientError, match="for 3 readings"):
        gathered.fixes()
