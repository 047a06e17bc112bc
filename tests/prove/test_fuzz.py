"""Whatever a file or a message holds, it is read or refused in a sentence; nothing else ever comes out."""

import re
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import grpc
import numpy as np
import pyarrow as pa
import pytest
from google.protobuf.message import Message
from grpc_health.v1 import health_pb2, health_pb2_grpc
from pyarrow import parquet

from bench.record import About, Row
from bench.services import fluxfix_serving
from fluxfix import load_recording, load_rig, rigfile, shipped
from fluxfix.calibration.run import stops_of
from fluxfix.errors import FluxfixError
from fluxfix.facade import Rig
from fluxfix_client import Client
from fluxfix_client.v1 import rig_service_pb2, solve_service_pb2
from prove.mutations import TOKENS, mutated, noise

pytestmark = pytest.mark.prove

SEED = 84
MOST_LINES = 9  # with the line that a command adds, ten
RIGS, NUMBERS, BYTES, CSV, PARQUET = 7000, 1000, 2000, 8000, 2000
MESSAGES = 5000
# Travels are left as they are: the solver is compiled anew for each, which takes seconds.
_NUMBER = re.compile(r"(?<![\w.])(?<!range_deg = \[)(?<!range_mm = \[)(?<!\[-18, )(?<!\[-12, )-?\d+(\.\d+)?(?![\w.])")
NUMBERS_ODD = (0.0, 1.0, -7.5, 24.0, 1e-300, 1e300, -1e300, np.nan, np.inf, -np.inf)
NAMES_ODD = (
    "",
    "rigs/",
    "rigs/boom-stick",
    "boom-stick",
    "rigs/../boom-stick",
    "rigs/é\U0001d11e",
    "rigs/" + "a" * 5000,
    "rigs/%s",
    "\0",
)
RIG_NAMES = ("boom-stick", "rate-slider", "measured-scan")

NAME = "fuzz"
ABOUT = About(
    what="files and messages that went wrong: rig files and recordings (CSV, Parquet) mutated, random bytes, and rig files that hold odd numbers, "
    "each of which has to be read or refused with an error of the project's own of at most 10 lines; random and mutated messages to "
    "`fluxfix serve`, after which it has to be SERVING and to solve",
    unit="count",
    origin="mutations of the shipped rigs, templates and recordings",
    seed=str(SEED),
    command="",
    cores=2,
)


@dataclass
class Outcomes:
    """What became of examples; failures by what happened where, each with the first example that did it."""

    refused: int = 0
    read: int = 0
    failed: int = 0
    failures: dict[str, object] = field(default_factory=dict)

    def add(self, do: Callable[[], object], content: object) -> None:
        """Do it: success and an error of the project's own, short and in words, are right."""
        try:
            do()
        except FluxfixError as error:
            self.refused += 1
            if not str(error).strip() or len(str(error).split("\n")) > MOST_LINES:
                self.refused -= 1
                self._fail(f"message: {error}", content)
        except Exception as error:
            last = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(last.filename).name}:{last.lineno}"
            self._fail(f"{type(error).__name__}: {error} ({where})", content)
        else:
            self.read += 1

    def _fail(self, how: str, content: object) -> None:
        self.failed += 1
        self.failures.setdefault(how, content)

    def told(self) -> str:
        """The failures, each with what did it."""
        return "\n".join(f"{how}\n  from {content!r}" for how, content in self.failures.items())

    def row(self, what: str) -> Row:
        """The counts."""
        examples = self.refused + self.read + self.failed
        return {"what": what, "examples": examples, "refused": self.refused, "read": self.read, "failed": self.failed}


def through(path: Path, contents: list[bytes], read: Callable[[Path], object]) -> Outcomes:
    """Write each of these contents to a file and read it."""
    outcomes = Outcomes()
    for content in contents:
        path.write_bytes(content)
        outcomes.add(lambda: read(path), content)
    return outcomes


def test_rig_files(tmp_path: Path, rows: list[Row]) -> None:
    """Mutated rig files, and random bytes, give a rig or a refusal."""
    rng = np.random.default_rng(SEED)
    seeds = [shipped.path(f"rigs/{name}.toml").read_bytes() for name in RIG_NAMES]
    seeds += [rigfile.template(kind).encode() for kind in rigfile.TEMPLATES]

    def read(path: Path) -> None:
        rig = Rig(rigfile.read(path))
        assert len(rig.columns) >= 1
        assert rig.joints is not None

    wrong = [mutated(seeds, rng) for _ in range(RIGS)]
    outcomes = through(tmp_path / "rig.toml", wrong, read)
    random = through(tmp_path / "rig.toml", [noise(rng) for _ in range(BYTES // 2)], read)
    rows += [outcomes.row("rig files, mutated"), random.row("rig files, random bytes")]

    assert outcomes.failed == 0, outcomes.told()
    assert random.failed == 0, random.told()


def test_rigs_with_odd_numbers(rows: list[Row]) -> None:
    """A rig whose numbers are odd is refused, or computes: readings, and fixes of any readings."""
    rng = np.random.default_rng(SEED + 1)
    outcomes = Outcomes()
    for _ in range(NUMBERS):
        text = shipped.path(f"rigs/{RIG_NAMES[rng.integers(2)]}.toml").read_text(encoding="utf-8")
        places = list(_NUMBER.finditer(text))
        for place in sorted(rng.choice(len(places), int(rng.integers(1, 3)), replace=False), reverse=True):
            start, end = places[place].span()
            wild = float(10.0 ** rng.choice([-300, -30, -9, -3, -1, 1, 3, 9, 30, 300]) * rng.choice([-1.0, 1.0]))
            number = float(places[place][0]) * (wild if rng.random() < 0.5 else rng.uniform(0.5, 2.0))
            whole = re.fullmatch(r"-?\d+", places[place][0]) and rng.random() < 0.3
            text = text[:start] + (str(int(rng.integers(-3, 70))) if whole else repr(number)) + text[end:]
        outcomes.add(lambda text=text: _compute(text), text)
    rows.append(outcomes.row("rigs with odd numbers, solved with"))

    assert outcomes.failed == 0, outcomes.told()
    assert outcomes.read > 0.5 * NUMBERS


def _compute(text: str) -> None:
    rig = Rig(rigfile.parse(text))
    home = np.array([[0.5 * (joint.low + joint.high) for joint in rig.joints]])
    readings = np.concatenate([rig.simulate(home, 1), [[np.nan, 1.0, 2.0], [np.inf, -1.0, 3.0], [0.0, 0.0, 0.0]]])
    fixes = rig.solve(readings)
    assert len(fixes) == len(readings)
    assert np.isnan(fixes.position[1]).all()


def test_csv_recordings(tmp_path: Path, rows: list[Row]) -> None:
    """Mutated CSV recordings, and random bytes, are read with their stops, or refused."""
    rng = np.random.default_rng(SEED + 2)
    for_rig, seeds = _recordings()
    wrong = [mutated(seeds, rng) for _ in range(CSV)]
    outcomes = through(tmp_path / "recording.csv", wrong, for_rig)
    random = through(tmp_path / "recording.csv", [noise(rng) for _ in range(BYTES // 2)], for_rig)
    rows += [outcomes.row("CSV recordings, mutated"), random.row("CSV recordings, random bytes")]

    assert outcomes.failed == 0, outcomes.told()
    assert random.failed == 0, random.told()


def test_parquet_recordings(tmp_path: Path, rows: list[Row]) -> None:
    """Mutated Parquet recordings are read with their stops, or refused."""
    rng = np.random.default_rng(SEED + 3)
    for_rig, texts = _recordings()
    seeds = []
    for number, text in enumerate(texts):
        lines = [line.split(",") for line in text.decode().splitlines()]
        table = pa.table({name: [float(line[k]) for line in lines[1:]] for k, name in enumerate(lines[0])})
        parquet.write_table(table, tmp_path / f"{number}.parquet", compression="snappy" if number % 2 else "none")
        seeds.append((tmp_path / f"{number}.parquet").read_bytes())
    wrong = [mutated(seeds, rng) for _ in range(PARQUET)]
    outcomes = through(tmp_path / "recording.parquet", wrong, for_rig)
    rows.append(outcomes.row("Parquet recordings, mutated"))

    assert outcomes.failed == 0, outcomes.told()


def _recordings() -> tuple[Callable[[Path], object], list[bytes]]:
    """Reading a recording with its stops; and the first rows of the shipped recordings."""
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    seeds = []
    for name in (
        "boom-stick-unit-a/reference",
        "boom-stick-unit-a/sweep",
        "rate-slider-unit-a/reference",
        "measured-scan/reference",
    ):
        lines = shipped.path(f"recordings/{name}.csv").read_bytes().split(b"\n")
        seeds.append(b"\n".join(lines[:40]) + b"\n")

    def read(path: Path) -> None:
        recording = load_recording(path)
        recording.read()
        stops_of(rig, recording)

    return read, seeds


def test_messages(rows: list[Row]) -> None:
    """Whatever bytes a call brings, the service answers with a status of its own, keeps SERVING and solves as before."""
    rng = np.random.default_rng(SEED + 4)
    rig = load_rig(shipped.path("rigs/boom-stick.toml"))
    reading = rig.readings([3.0, -5.0])
    seeds = {
        "RigService/ListRigs": rig_service_pb2.ListRigsRequest(page_size=5),
        "RigService/GetRig": rig_service_pb2.GetRigRequest(name="rigs/boom-stick"),
        "SolveService/SolveReading": solve_service_pb2.SolveReadingRequest(
            name="rigs/boom-stick", flux_density_millitesla=reading.tolist(), noise_millitesla=[0.1]
        ),
        "SolveService/SolveReadings": solve_service_pb2.SolveReadingsRequest(
            name="rigs/boom-stick", count=2, flux_density_millitesla=np.tile(reading, 2).tobytes()
        ),
    }
    methods = {
        f"{service.name}/{method.name}"
        for module in (rig_service_pb2, solve_service_pb2)
        for service in module.DESCRIPTOR.services_by_name.values()
        for method in service.methods
    }
    counts: dict[str, int] = {}
    with (
        fluxfix_serving({"boom-stick": rig.text}) as served,
        grpc.insecure_channel(served.address, (("grpc.enable_http_proxy", 0),)) as channel,
    ):
        calls = {path: channel.unary_unary(f"/fluxfix.v1.{path}") for path in seeds}
        for number in range(MESSAGES):
            path = list(seeds)[rng.integers(len(seeds))]
            code = _answer(calls[path], _wrong(seeds[path], number, rng))
            counts[code] = counts.get(code, 0) + 1
        health = health_pb2_grpc.HealthStub(channel).Check(health_pb2.HealthCheckRequest())
        with Client(served.address, timeout_s=60.0) as client:
            position = client.solve("boom-stick", reading).position
    answers = ", ".join(f"{code} {count}" for code, count in sorted(counts.items()))
    rows.append({"what": "messages to the service", "examples": MESSAGES, "answers": answers})

    assert methods == set(seeds)
    assert health.status == health_pb2.HealthCheckResponse.SERVING
    np.testing.assert_allclose(position, [3.0, -5.0], atol=1e-6)


def _wrong(seed: Message, number: int, rng: np.random.Generator) -> bytes:
    """By turns any bytes, a message with bytes gone wrong, and two whose fields hold odd values."""
    if number % 4 == 0:
        return noise(rng)
    if number % 4 == 1:
        return mutated([seed.SerializeToString()], rng)
    odd = type(seed)()
    odd.CopyFrom(seed)
    for field_of in rng.choice(odd.DESCRIPTOR.fields, int(rng.integers(1, 3))):
        odd.ClearField(field_of.name)
        if field_of.type == field_of.TYPE_DOUBLE:
            getattr(odd, field_of.name).extend(rng.choice(NUMBERS_ODD, int(rng.integers(0, 7))))
        elif field_of.type == field_of.TYPE_STRING:
            setattr(odd, field_of.name, str(rng.choice(NAMES_ODD)))
        elif field_of.type == field_of.TYPE_BYTES:
            values = rng.choice(NUMBERS_ODD, int(rng.integers(0, 13))).tobytes()
            setattr(odd, field_of.name, values[: len(values) - int(rng.integers(0, 2))])
        elif field_of.type == field_of.TYPE_INT32:
            setattr(odd, field_of.name, int(rng.choice([-(2**31), -1, 0, 1, 2, 4, 8192, 8193, 2**31 - 1])))
        else:
            setattr(odd, field_of.name, bool(rng.integers(2)))
    return odd.SerializeToString()


def _answer(call: Callable[..., bytes], content: bytes) -> str:
    """The code of the answer; a message that cannot be read is refused by gRPC itself."""
    try:
        call(content, timeout=60.0)
    except grpc.RpcError as error:
        code = error.code().name
        details = error.details() or ""
        unreadable = code == "INTERNAL" and "deserializing" in details
        known = code in {"INVALID_ARGUMENT", "NOT_FOUND", "RESOURCE_EXHAUSTED", "FAILED_PRECONDITION", "UNIMPLEMENTED"}
        assert unreadable or known, (code, details, content)
        return "unreadable" if unreadable else code
    return "OK"


def test_tokens_are_not_all_harmless() -> None:
    """The mutations do what they are for: most tokens in place of a rig's number are refused."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
    wrong = [text.replace("diameter_mm = 6.0", f"diameter_mm = {token}") for token in TOKENS]

    outcomes = Outcomes()
    for text in wrong:
        outcomes.add(lambda text=text: rigfile.parse(text), text)

    assert outcomes.failed == 0, outcomes.told()
    assert outcomes.refused > 0.8 * len(wrong)
