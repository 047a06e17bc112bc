"""Results of benchmarks and proofs as files: a manifest that says what was measured how, and rows of numbers."""

import datetime as dt
import json
import os
import platform
import subprocess
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "bench_data"
PACKAGES = ("fluxfix", "jax", "numpy", "scipy", "magpylib", "grpcio", "protobuf")
DIGITS = 5
"""Significant digits that are kept of a number: nothing here is known better."""

Row = dict[str, Any]


@dataclass(frozen=True)
class About:
    """What a file of results is about."""

    what: str
    unit: str
    """Of the numbers, by column where they differ."""
    origin: str
    """Where the inputs come from."""
    seed: str
    """Of every random number in it."""
    command: str
    """How to make the file again."""
    cores: int
    """Processor cores that the measured code may use."""


def write(name: str, about: About, rows: Sequence[Row]) -> Path:
    """Write bench_data/<name>.json and print its rows."""
    found = [{key: _rounded(value) for key, value in row.items()} for row in rows]
    manifest = asdict(about) | {
        "commit": commit(),
        "machine": machine(),
        "versions": {"python": platform.python_version()} | {package: version(package) for package in PACKAGES},
        "date": dt.datetime.now(dt.UTC).strftime("%Y-%m-%d"),
    }
    target = FOLDER / f"{name}.json"
    target.parent.mkdir(exist_ok=True)
    text = json.dumps({"manifest": manifest, "rows": found}, indent=2, ensure_ascii=False, allow_nan=False)
    target.write_text(text + "\n", encoding="utf-8")
    print(f"\n{name}: {about.what}")
    print(table(found), flush=True)
    return target


def commit() -> str:
    """The commit that was measured, with `-dirty` where a file outside bench_data differs from it."""
    root = FOLDER.parent

    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=root, capture_output=True, text=True, check=True).stdout.strip()

    changes = git("status", "--porcelain", "--", ".", ":(exclude)bench_data")
    return git("rev-parse", "HEAD") + ("-dirty" if changes else "")


def machine() -> str:
    """The machine in words that compare: no name of it or of its owner."""
    facts: dict[str, str] = {}
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        key, _, value = line.partition(":")
        facts.setdefault(key.strip(), value.strip())
    vectors = [word for word in ("avx512f", "avx2", "avx") if word in facts.get("flags", "").split()]
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return (
        f"{platform.machine()} family {facts.get('cpu family', '?')} model {facts.get('model', '?')}, "
        f"{vectors[0] if vectors else 'no vectors known'}, {os.cpu_count()} cores, {memory:.0f} GiB, {platform.system()}, "
        f"load {os.getloadavg()[0]:.1f} when written"
    )


def table(rows: Sequence[Row]) -> str:
    """Rows as aligned text; rows with the same columns stand under one head."""
    lines: list[str] = []
    heads: list[tuple[str, ...]] = []
    for row in rows:
        if tuple(row) not in heads:
            heads.append(tuple(row))
    for head in heads:
        cells = [list(head), *([_text(row[key]) for key in head] for row in rows if tuple(row) == head)]
        widths = [max(len(line[k]) for line in cells) for k in range(len(head))]
        lines += ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in cells]
    return "\n".join("  " + line.rstrip() for line in lines)


def _rounded(value: Any) -> Any:
    if isinstance(value, bool | str) or value is None:
        return value
    if hasattr(value, "item"):
        value = value.item()
    return value if isinstance(value, bool | int) else float(f"{float(value):.{DIGITS}g}")


def _text(value: Any) -> str:
    return f"{value:.5g}" if isinstance(value, float) else str(value)
