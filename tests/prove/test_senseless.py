"""The wire under messages that are whole but make no sense: wrong lengths, numbers that are none, clocks that go back."""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import grpc
import numpy as np
import pytest

import fluxfix
from bench.record import About, Row
from fluxfix.service import RigStore, running
from fluxfix_client.channel import methods_of
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1 import study_service_pb2 as studies
from inverse import rigs

pytestmark = pytest.mark.prove

SINGLE, BATCHES, STREAMS, STUDIES = 40_000, 10_000, 5_000, 2_000
SEED = 172
WAIT_S = 60.0
MOST = 8192  # readings of a message, as proto/fluxfix/v1 states it
ODD = np.array([np.nan, np.inf, -np.inf, 1e308, -1e308, 5e-324, -0.0, 0.0, 1e3])
LENGTHS = (0, 1, 3, 50, MOST, MOST + 1)
COUNTS = (-(2**31), -1, 0, 1, MOST + 1, 2**31 - 1)
KNOB = "rigs/knob"

NAME = "senseless"
ABOUT = About(
    what=f"{SINGLE} single readings, {BATCHES} batches, {STREAMS} streams of three messages and {STUDIES} studies sent to a service with one real rig, most of them with values that are "
    "not finite or huge, with wrong counts and lengths, noise, times that go back, foreign states or senseless options; each code is compared with what "
    "proto/fluxfix/v1 states, and each fix with that of the process",
    unit="count, by method and code",
    origin="random choices among extreme values",
    seed=str(SEED),
    command="",
    cores=2,
)


@dataclass(frozen=True)
class Served:
    """A service with one real rig, the same rig in this process, and what was answered."""

    methods: dict[str, Callable[..., Any]]
    rig: fluxfix.Rig
    codes: Counter[str] = field(default_factory=Counter)

    def called(self, method: str, request: Any, expected: str) -> list[Any]:
        """Make a call whose code must be the one expected; give the answers."""
        answers: list[Any] = []
        code = "OK"
        try:
            given = self.methods[method](request, timeout=WAIT_S)
            if hasattr(given, "__next__"):
                answers.extend(given)
            else:
                answers.append(given)
        except grpc.RpcError as error:
            code = error.code().name
        self.codes[f"{method} {code}"] += 1
        assert code == expected, f"{method}: {code} for {str(request)[:500]}"
        return answers


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, rows: list[Row]) -> Iterator[Served]:
    """A service of one real rig."""
    folder: Path = tmp_path_factory.mktemp("rigs")
    (folder / "knob.toml").write_text(rigs.KNOB, encoding="utf-8")
    store = RigStore(folder, fluxfix.load_rig)
    with running(store) as service, grpc.insecure_channel(service.address) as channel:
        served = Served(methods_of(channel), store.get("knob"))
        yield served
    rows.append({"messages": served.codes.total(), **served.codes})


def _values(rng: np.random.Generator, count: int) -> np.ndarray:
    """Readings of common strength, of which some are odd."""
    values = rng.normal(0.0, 30.0, (count, 3))
    odd = rng.random((count, 3)) < rng.choice([0.0, 0.1, 0.5, 1.0])
    values[odd] = rng.choice(ODD, int(odd.sum()))
    return values


def _noise(rng: np.random.Generator) -> tuple[list[float], bool]:
    """Noise, and whether it makes sense."""
    if rng.random() < 0.7:
        return [], True
    noise = [float(value) for value in rng.choice([0.1, 0.2, 0.0, -1.0, np.nan, np.inf], int(rng.integers(1, 5)))]
    right = len(noise) in {1, 3} and all(np.isfinite(value) and value >= 0.0 for value in noise)
    return noise, right


def _same(found: Any, expected: Any) -> None:
    for name in ("position", "misfit", "status"):
        np.testing.assert_array_equal(np.asarray(getattr(found, name)), getattr(expected, name))


def test_single_readings(served: Served) -> None:
    """Any double is a reading: it is answered as in the process. Another number of values, and senseless noise, are not."""
    rng = np.random.default_rng([SEED, 0])
    for _ in range(SINGLE):
        count = 3 if rng.random() < 0.8 else int(rng.choice([0, 1, 2, 4, 300]))
        values = _values(rng, 1)[0] if count == 3 else np.ones(count)
        noise, right = _noise(rng)
        request = solving.SolveReadingRequest(name=KNOB, flux_density_millitesla=values, noise_millitesla=noise)
        expected = "OK" if count == 3 and right else "INVALID_ARGUMENT"
        for answer in served.called("SolveReading", request, expected):
            _same(answer.fix, served.rig.solve(values, (noise if len(noise) > 1 else noise[0]) if noise else None))


def test_batches(served: Served) -> None:
    """A batch holds as many values as its count says, or is refused; damaged rows are flagged, the others are solved."""
    rng = np.random.default_rng([SEED, 1])
    for _ in range(BATCHES):
        count = int(rng.choice(LENGTHS, p=[0.1, 0.3, 0.3, 0.28, 0.01, 0.01]))
        values = _values(rng, count)
        data, told = values.tobytes(), count
        if rng.random() < 0.2:
            told = int(rng.choice(COUNTS))
        if rng.random() < 0.2:
            data = data[: -int(rng.integers(1, 9))] + rng.bytes(int(rng.integers(9)))
        whole = told >= 0 and len(data) == 24 * told
        expected = "RESOURCE_EXHAUSTED" if told > MOST else "OK" if whole else "INVALID_ARGUMENT"
        request = solving.SolveReadingsRequest(name=KNOB, count=told, flux_density_millitesla=data)
        for answer in served.called("SolveReadings", request, expected):
            fixes = answer.fixes
            known = served.rig.solve(np.frombuffer(data).reshape(told, 3))
            np.testing.assert_array_equal(np.frombuffer(fixes.position).reshape(told, 1), known.position)
            np.testing.assert_array_equal(np.frombuffer(fixes.status, np.int32), known.status)


def test_streams(served: Served) -> None:
    """A stream ends at its first senseless message with the right code; the messages before it have been answered."""
    rng = np.random.default_rng([SEED, 2])
    for _ in range(STREAMS):
        messages, expected, right = [], "OK", 0
        end_s = float(rng.normal(0.0, 10.0))
        for number in range(3):
            count = int(rng.integers(1, 20))
            t_s = end_s + np.cumsum(rng.uniform(0.0, 0.01, count))
            end_s = float(t_s[-1])
            message, code = _message(rng, number, t_s, _values(rng, count))
            messages.append(message)
            if expected == "OK":
                expected, right = code, right + (code == "OK")
        tracked: list[Any] = []
        call = served.methods["TrackReadings"](iter(messages), timeout=WAIT_S)
        code = "OK"
        try:
            tracked.extend(call)
        except grpc.RpcError as error:
            code = error.code().name
        served.codes[f"TrackReadings {code}"] += 1
        assert code == expected, messages
        # gRPC drops answers that wait to be sent when a call fails: those that came are the first ones.
        assert len(tracked) == right if expected == "OK" else len(tracked) <= right


def _message(
    rng: np.random.Generator, number: int, t_s: np.ndarray, readings: np.ndarray
) -> tuple[solving.TrackReadingsRequest, str]:
    """One message of a stream, of which one thing may be senseless, and its code."""
    message = solving.TrackReadingsRequest(
        name=KNOB, count=len(t_s), t_seconds=t_s.tobytes(), flux_density_millitesla=readings.tobytes()
    )
    match int(rng.integers(14)):
        case 0:
            message.t_seconds = (t_s - 1e6 * (number + 1)).tobytes()  # also before one that has gone back itself
            return message, "INVALID_ARGUMENT" if number else "OK"
        case 1:
            message.t_seconds = np.where(np.arange(len(t_s)) == len(t_s) - 1, rng.choice(ODD[:3]), t_s).tobytes()
        case 2:
            message.t_seconds += b"\0"
        case 3:
            message.flux_density_millitesla = message.flux_density_millitesla[:-1]
        case 4:
            message.count = int(rng.choice([-1, len(t_s) + 1]))
        case 5:
            message.count = MOST + 1
            return message, "RESOURCE_EXHAUSTED"
        case 6:
            message.state = rng.bytes(int(rng.integers(1, 600)))
            return message, "OK" if number else "INVALID_ARGUMENT"  # later ones are not looked at
        case 7:
            message.options.ahead_milliseconds = float(rng.choice([-1.0, np.nan, np.inf, 1e5]))
            return message, "OK" if number else "INVALID_ARGUMENT"
        case 8:
            message.options.max_acceleration["turn"] = float(rng.choice([0.0, -1.0, np.nan, np.inf]))
            return message, "OK" if number else "INVALID_ARGUMENT"
        case _:
            return message, "OK"
    return message, "INVALID_ARGUMENT"


def test_studies(served: Served) -> None:
    """Senseless positions, seeds, speeds, rates, resolutions and budgets are refused before any work is done."""
    rng = np.random.default_rng([SEED, 3])
    for number in range(STUDIES):
        odd = float(rng.choice(ODD[:3]))
        wrong = float(rng.choice([odd, -1.0]))
        match number % 4:
            case 0:
                position = np.array([1.0, odd, 2.0]).tobytes()
                simulated = {"count": 3, "position": position[: len(position) - int(rng.integers(2))]}
                served.called(
                    "SimulateReadings", studies.SimulateReadingsRequest(name=KNOB, **simulated), "INVALID_ARGUMENT"
                )
            case 1:
                speeds = {"turn": wrong} if rng.random() < 0.5 else {"nothing": 1.0}
                served.called("StudyRates", studies.StudyRatesRequest(name=KNOB, speeds=speeds), "INVALID_ARGUMENT")
            case 2:
                rates = [100.0, float(rng.choice([wrong, 0.0]))]
                served.called("StudyRates", studies.StudyRatesRequest(name=KNOB, rates_hertz=rates), "INVALID_ARGUMENT")
            case _:
                budgets = [{"max_box_pairs": -1}, {"max_box_pairs": 2**62}, {"max_seconds": -1.0}]
                asked = [{"resolutions": {"turn": wrong}}, {"resolutions": {"nothing": 1.0}}, *budgets]
                survey = studies.SurveyRigRequest(name=KNOB, **asked[int(rng.integers(len(asked)))])
                served.called("SurveyRig", survey, "INVALID_ARGUMENT")
