"""Whatever a file or a message holds, it is read or refused in a sentence; nothing else ever comes out."""

import re
from collections.abc import Callable
from pathlib import Path

import grpc
import numpy as np
import pyarrow as pa
import pytest
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


def refused(do: Callable[[], object], content: object) -> bool:
    """Whether it is refused; any other outcome than that or success fails, and shows what it was done to."""
    try:
        do()
    except FluxfixError as error:
        text = str(error)
        assert text.strip(), content
        assert len(text.split("\n")) <= MOST_LINES, content
        return True
    except Exception as error:
        pytest.fail(f"{type(error).__name__}: {error}\nfrom {content!r}")
    return False


def through(path: Path, contents: list[bytes], read: Callable[[Path], object]) -> int:
    """How many of these contents of a file are refused."""
    count = 0
    for content in contents:
        path.write_bytes(content)
        count += refused(lambda: read(path), content)
    return count


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
    count = through(tmp_path / "rig.toml", wrong, read)
    rows.append({"what": "rig files, mutated", "examples": RIGS, "refused": count, "read": RIGS - count})
    half = BYTES // 2
    count = through(tmp_path / "rig.toml", [noise(rng) for _ in range(half)], read)
    rows.append({"what": "rig files, random bytes", "examples": half, "refused": count, "read": half - count})


def test_rigs_with_odd_numbers(rows: list[Row]) -> None:
    """A rig whose numbers are odd is refused, or computes: readings, and fixes of any readings."""
    rng = np.random.default_rng(SEED + 1)
    count = 0
    for _ in range(NUMBERS):
        text = shipped.path(f"rigs/{RIG_NAMES[rng.integers(2)]}.toml").read_text(encoding="utf-8")
        places = list(re.finditer(r"(?<![\w.])-?\d+(\.\d+)?(?![\w.])", text))
        for place in sorted(rng.choice(len(places), int(rng.integers(1, 3)), replace=False), reverse=True):
            start, end = places[place].span()
            wild = float(10.0 ** rng.choice([-300, -30, -9, -3, -1, 1, 3, 9, 30, 300]) * rng.choice([-1.0, 1.0]))
            number = float(places[place][0]) * (wild if rng.random() < 0.5 else rng.uniform(0.5, 2.0))
            whole = re.fullmatch(r"-?\d+", places[place][0]) and rng.random() < 0.3
            text = text[:start] + (str(int(rng.integers(-3, 70))) if whole else repr(number)) + text[end:]
        count += refused(lambda text=text: _compute(text), text)
    rows.append({"what": "rigs with odd numbers", "examples": NUMBERS, "refused": count, "read": NUMBERS - count})


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
    count = through(tmp_path / "recording.csv", wrong, for_rig)
    rows.append({"what": "CSV recordings, mutated", "examples": CSV, "refused": count, "read": CSV - count})
    half = BYTES // 2
    count = through(tmp_path / "recording.csv", [noise(rng) for _ in range(half)], for_rig)
    rows.append({"what": "CSV recordings, random bytes", "examples": half, "refused": count, "read": half - count})


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
    count = through(tmp_path / "recording.parquet", wrong, for_rig)
    rows.append({"what": "Parquet recordings, mutated", "examples": PARQUET, "refused": count, "read": PARQUET - count})


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
    seeds = [
        rig_service_pb2.ListRigsRequest(page_size=5).SerializeToString(),
        rig_service_pb2.GetRigRequest(name="rigs/boom-stick").SerializeToString(),
        solve_service_pb2.SolveReadingRequest(
            name="rigs/boom-stick", flux_density_millitesla=reading.tolist(), noise_millitesla=[0.1]
        ).SerializeToString(),
        solve_service_pb2.SolveReadingsRequest(
            name="rigs/boom-stick", count=2, flux_density_millitesla=np.tile(reading, 2).tobytes()
        ).SerializeToString(),
    ]
    paths = [
        f"/{service.full_name}/{method.name}"
        for module in (rig_service_pb2, solve_service_pb2)
        for service in module.DESCRIPTOR.services_by_name.values()
        for method in service.methods
    ]
    counts: dict[str, int] = {}
    with (
        fluxfix_serving({"boom-stick": rig.text}) as served,
        grpc.insecure_channel(served.address, (("grpc.enable_http_proxy", 0),)) as channel,
    ):
        calls = [channel.unary_unary(path) for path in paths]
        for number in range(MESSAGES):
            content = noise(rng) if number % 4 == 0 else mutated(seeds, rng)
            code = _answer(calls[rng.integers(len(calls))], content)
            counts[code] = counts.get(code, 0) + 1
        health = health_pb2_grpc.HealthStub(channel).Check(health_pb2.HealthCheckRequest())
        with Client(served.address, timeout_s=60.0) as client:
            position = client.solve("boom-stick", reading).position
    answers = ", ".join(f"{code} {count}" for code, count in sorted(counts.items()))
    rows.append({"what": "messages to the service", "examples": MESSAGES, "answers": answers})

    assert len(paths) == 4
    assert health.status == health_pb2.HealthCheckResponse.SERVING
    np.testing.assert_allclose(position, [3.0, -5.0], atol=1e-6)


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

    assert np.mean([refused(lambda t=t: rigfile.parse(t), t) for t in wrong]) > 0.8
