"""Simulated readings, studies of sampling rates and surveys: arguments and numbers arrive as they are."""

import struct
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import grpc
import numpy as np
import pytest

from fluxfix_client.surveys import survey_from
from fluxfix_client.v1 import study_service_pb2 as studies
from fluxfix_client.v1.study_service_pb2_grpc import StudyServiceStub
from service.fake_surveys import VERDICTS, fake_survey
from service.fakes import FakeWorks, load, serving, store_of
from service.wire import WAIT_S, refused

NAME = "rigs/stick"


@pytest.fixture
def stub(tmp_path: Path) -> Iterator[StudyServiceStub]:
    """A service with a rig of an angle and a length, one of an angle, and cheap long functions."""
    store = store_of(tmp_path, stick='name = "stick"\n', knob='name = "knob"\njoints = 1\n')
    with serving(store, FakeWorks()) as address, grpc.insecure_channel(address) as channel:
        yield StudyServiceStub(channel)


def progress_of(answers: list[Any]) -> list[tuple[int, int]]:
    """Give done and total of each progress."""
    return [(one.progress.done, one.progress.total) for one in answers if one.WhichOneof("update") == "progress"]


def test_study_is_told(stub: StudyServiceStub) -> None:
    """Arguments reach the study, its numbers come back."""
    request = studies.StudyRatesRequest(name=NAME, speeds={"travel": 120.0}, rates_hertz=[50.0, 500.0])
    answers = list(stub.StudyRates(request, timeout=WAIT_S))
    study = answers[-1].study

    assert progress_of(answers) == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert (study.conversion_us, study.transfer_us, list(study.speeds)) == (30.0, 9.0, [-1.0, 120.0])
    assert [(one.path, one.median_us, one.p99_us, one.call_count) for one in study.latencies] == [("fast", 1, 2, 300)]
    assert [rate.rate_hertz for rate in study.rates] == [50.0, 500.0]
    assert [(one.delay_us, one.hold_us, one.age_us, one.aliased, one.duty) for one in study.rates] == [
        (12.0, 13.0, 18.5, False, 0.25),
        (12.0, 13.0, 18.5, True, 0.25),
    ]
    assert (study.solve_path, study.motion, study.advised_rate_hertz) == ("fast", "to and fro", 50.0)
    assert list(study.warnings) == ["not above mains"]
    errors = ("noise_rms", "noise_worst", "lag", "total", "quantisation", "table", "skew", "jitter", "calibration")
    for one, joint in zip(study.rates[1].joints, ("tilt-x", "travel"), strict=True):
        assert one.joint == joint
        assert [getattr(one, name) for name in (*errors, "time", "worst")] == [k / 10 for k in range(1, 12)]


@pytest.mark.parametrize("count", [0, 1, 8192, 20000])
def test_simulated_readings_come_in_order(stub: StudyServiceStub, tmp_path: Path, count: int) -> None:
    """Pieces join to one row a position, exact or with the noise of the seed."""
    positions = np.random.default_rng(3).uniform(-10, 10, (count, 2))
    request = {"name": NAME, "count": count, "position": positions.tobytes()}
    exact = list(stub.SimulateReadings(studies.SimulateReadingsRequest(**request, exact=True), timeout=WAIT_S))
    noisy = [
        list(stub.SimulateReadings(studies.SimulateReadingsRequest(**request, seed=seed), timeout=WAIT_S))
        for seed in (1, 1, 2)
    ]
    values = np.concatenate([np.frombuffer(one.flux_density_millitesla, "<f8") for one in exact]).reshape(count, 3)

    np.testing.assert_array_equal(values, load(tmp_path / "stick.toml").readings(positions))
    assert sum(one.count for one in exact) == count
    assert {one.column_count for one in exact} == {3}
    assert exact[-1].progress.done == count
    assert noisy[0] == noisy[1]
    assert (noisy[0] == noisy[2]) == (count == 0)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"count": 2}, "POSITION_INVALID"),
        ({"count": -1}, "POSITION_INVALID"),
        ({"position": b"1234567"}, "POSITION_INVALID"),
        ({"position": struct.pack("<2d", 1.0, float("nan"))}, "POSITION_INVALID"),
        ({"position": struct.pack("<2d", float("inf"), 1.0)}, "POSITION_INVALID"),
        ({"seed": -1}, "SEED_INVALID"),
        ({"noise_millitesla": [-1.0]}, "NOISE_INVALID"),
    ],
)
def test_simulations_that_make_no_sense_are_refused(
    stub: StudyServiceStub, fields: dict[str, Any], reason: str
) -> None:
    """Wrong lengths, positions that are not finite, and negative seeds are the caller's mistakes."""
    right = {"name": NAME, "count": 1, "position": struct.pack("<2d", 1.0, 2.0)}
    call = stub.SimulateReadings(studies.SimulateReadingsRequest(**{**right, **fields}), timeout=WAIT_S)

    assert refused(lambda **_: list(call))[:2] == ("INVALID_ARGUMENT", reason)


@pytest.mark.parametrize("verdict", VERDICTS)
@pytest.mark.parametrize("name", ["stick", "knob"])
def test_survey_is_told(stub: StudyServiceStub, tmp_path: Path, name: str, verdict: str) -> None:
    """Resolutions and budgets reach the survey; every number of it comes back, infinite ones too."""
    seconds = VERDICTS.index(verdict) + 3
    request = {"resolutions": {"tilt-x": 0.25}, "max_box_pairs": 5000, "max_seconds": seconds}
    answers = list(stub.SurveyRig(studies.SurveyRigRequest(name=f"rigs/{name}", **request), timeout=WAIT_S))
    expected = fake_survey(load(tmp_path / f"{name}.toml"), request["resolutions"], 5000, seconds)
    got = survey_from(answers[-1].survey)

    assert progress_of(answers) == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert (got.calibrated, got.strength_note, got.notes) == (True, expected.strength, expected.notes)
    assert (got.condition_worst, got.condition_worst_at) == (np.inf, expected.condition_worst_at)
    for one, same in zip(got.joints, expected.joints, strict=True):
        assert list(asdict(one).values()) == [value for key, value in asdict(same).items() if key != "unit"]
    for one, same in zip(got.values, expected.values, strict=True):
        assert asdict(one) == asdict(same)
    apart, wanted = got.separation, expected.separation
    assert (apart.verdict, apart.degrees, apart.error_sd) == (verdict, wanted.degrees, wanted.error_sd)
    for one, same in ((apart.noise, wanted.sd), (apart.mT, wanted.mT), (apart.mT_per_deg, wanted.per_deg)):
        assert (one is None) == (same is None)
        assert one is None or list(asdict(one).values()) == list(asdict(same).values())[1:]
    assert (got.separation.mT_per_deg is None) == (name == "stick")
    for one, same in zip(asdict(got.places).values(), asdict(expected.places).values(), strict=True):
        np.testing.assert_array_equal(one, same, strict=True)


def test_survey_without_budgets_takes_the_defaults(stub: StudyServiceStub) -> None:
    """What is left out, and 0, is left to the survey; the largest budget passes."""
    for given, told in ((0, -1), (10_000_000, 10_000_000)):
        request = studies.SurveyRigRequest(name=NAME, max_box_pairs=given)
        found = list(stub.SurveyRig(request, timeout=WAIT_S))[-1].survey
        assert found.separation.noise.box_pair_count == told


@pytest.mark.parametrize("box_pairs", [-1, 10_000_001])
def test_survey_that_would_fill_the_memory_is_refused(stub: StudyServiceStub, box_pairs: int) -> None:
    """A budget beyond the limit has both numbers in its error."""
    call = stub.SurveyRig(studies.SurveyRigRequest(name=NAME, max_box_pairs=box_pairs), timeout=WAIT_S)

    assert refused(lambda **_: list(call)) == (
        "INVALID_ARGUMENT",
        "ARGUMENT_INVALID",
        {"max_box_pairs": str(box_pairs), "limit": "10000000"},
    )
