"""A service that meets one kind of rig after the other: compiled functions never take more memory maps than they may."""

from pathlib import Path

import numpy as np
import pytest

from bench.record import About, Row
from fluxfix import shipped
from fluxfix.service import compiled, running
from fluxfix_client import Client, Fixes, UnavailableError

pytestmark = pytest.mark.prove

KINDS = ("rate-slider", "boom-stick", "motor-shaft")
EXACT = "boom-stick"  # whose exact model compiles soonest
ROOM = 1000  # maps above those of the start: about what one kind takes, so that several are let go of
OF_ONE_KIND = 6000  # more than any takes, with the exact model: a look comes before each is prepared
SAME = 1e-9  # of the unit: what is compiled anew may take sums in another order
SEED = 191

NAME = "kinds"
ABOUT = About(
    what=f"one service, to which {len(KINDS)} kinds of rigs are given one after the other; each solves 100 readings, {EXACT} also on the "
    f"exact model; compiled functions are let go of beyond {ROOM} memory maps above those of the start; then every rig solves once more",
    unit="count of memory maps of the process",
    origin="simulated: normal readings of 20 mT",
    seed=str(SEED),
    command="",
    cores=2,
)


def test_kinds_of_rigs_do_not_pile_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: list[Row]) -> None:
    """Memory maps stay within what is allowed and one kind's own, and every rig gives the same answers before and after."""
    let_go: list[int] = []
    begin = _maps()
    monkeypatch.setattr(compiled, "MOST_MAPS", begin + ROOM)
    look = compiled.let_go_of_too_many

    def counted() -> bool:
        before = _maps()
        gone = look()
        if gone:
            let_go.append(before - _maps())
        return gone

    monkeypatch.setattr(compiled, "let_go_of_too_many", counted)
    rng, seen, largest = np.random.default_rng(SEED), {}, begin
    with running(tmp_path) as service, Client(service.address, timeout_s=300.0) as client:
        for name in KINDS:
            rig = client.create_rig(shipped.path(f"rigs/{name}.toml").read_text(encoding="utf-8"))
            readings = rng.normal(0.0, 20.0, (100, len(rig.columns)))
            seen[name] = readings, client.solve(name, readings), client.solve(name, readings, exact=True)
            largest = max(largest, _maps())
        for name, (readings, fixes, exact) in seen.items():
            for before, again in (
                (fixes, client.solve(name, readings)),
                (exact, client.solve(name, readings, exact=True)),
            ):
                np.testing.assert_allclose(again.position, before.position, rtol=0.0, atol=SAME)
                assert np.array_equal(again.status, before.status)
    rows.append(
        {
            "kinds": len(KINDS),
            "times_let_go": len(let_go),
            "least_let_go": min(let_go, default=0),
            "at_the_start": begin,
            "allowed": begin + ROOM,
            "largest": largest,
        }
    )

    assert len(let_go) >= 2
    assert largest <= begin + ROOM + OF_ONE_KIND


def _solved(client: Client, name: str, readings: np.ndarray, exact: bool) -> Fixes:
    """Solve, however long a compiler takes."""
    while True:
        try:
            return client.solve(name, readings, exact=exact)
        except UnavailableError as error:
            assert error.reason == "RIG_NOT_READY"  # noqa: PT017 any other is a failure


def _maps() -> int:
    return compiled.MAPS.read_bytes().count(b"\n")
