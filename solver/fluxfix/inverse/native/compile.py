"""Compile the native evaluator: when the wheel is built, or else at its first use.

Standard library only, and no import of the package: the build of a wheel loads this file by its path.
"""

import os
import platform
import shutil
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

SOURCES = Path(__file__).parent
FLAGS = (
    "-std=c99",
    "-O2",
    "-fpeel-loops",
    "-ffp-contract=fast",
    "-fno-math-errno",
    "-fno-trapping-math",
    "-fPIC",
    "-pthread",
)
PARTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    *(("ffx_joints.c", (f"-DFFX_JOINTS={joints}",)) for joints in (4, 3, 2, 1)),
    ("ffx_fast.c", ()),
    ("ffx_aside.c", ()),
)
"""What the library is made of, each compiled by itself; the slowest first, so that processors share evenly."""
_NEEDS = {
    "x86-64-v4": {"avx512f", "avx512bw", "avx512cd", "avx512dq", "avx512vl", "avx2", "fma"},
    "x86-64-v3": {"avx2", "fma", "bmi1", "bmi2", "f16c", "movbe"},
    "x86-64-v2": {"sse4_2", "ssse3", "popcnt"},
}
"""Levels of the processor that code is compiled for, best first, and what this machine must have for each.

Source: System V ABI, x86-64 supplement, 3.1.1 "micro-architecture levels".
"""
PLAIN = "plain"
"""The level that asks for nothing beyond the compiler's own choice."""


def levels() -> tuple[str, ...]:
    """What is compiled for machines of this kind, best first."""
    return (*_NEEDS, PLAIN) if platform.machine() in {"x86_64", "AMD64"} else (PLAIN,)


def level() -> str:
    """The best level that this machine has."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
        has = set(next((line for line in text.splitlines() if line.startswith("flags")), "").split())
    except OSError:
        has = set()
    return next((one for one in levels() if one == PLAIN or _NEEDS[one] <= has), PLAIN)


def name(for_level: str) -> str:
    """Of the library file."""
    return f"ffx_fast-{for_level}.so"


def compiler() -> str | None:
    """The C compiler of this machine, if it has one."""
    return shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


def compiled(for_level: str, target: Path) -> str | None:
    """Compile the library for a level; the file appears whole or not at all.

    Returns:
        What went wrong, None where nothing did.
    """
    chosen = compiler()
    if chosen is None:
        return "there is no C compiler (cc, gcc or clang)"
    march = () if for_level == PLAIN else (f"-march={for_level}",)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".making-") as folder:
            made, parts = (
                Path(folder) / target.name,
                [str(Path(folder) / f"{number}.o") for number in range(len(PARTS))],
            )
            commands = [
                [chosen, *FLAGS, *march, *own, "-c", str(SOURCES / source), "-o", part]
                for (source, own), part in zip(PARTS, parts, strict=True)
            ]
            with ThreadPoolExecutor(os.cpu_count()) as pool:
                wrong = next(filter(None, pool.map(_wrong, commands)), None)
            wrong = wrong or _wrong([chosen, *FLAGS, "-shared", *parts, "-lm", "-o", str(made)])
            if wrong is None:
                made.replace(target)
            return wrong
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error)


def _wrong(command: list[str]) -> str | None:
    """Run a compiler. Returns the first line of what it complains of, None where it does its work."""
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)  # noqa: S603 ours
    if done.returncode:
        return next(iter(done.stderr.strip().splitlines()), f"{command[0]} ended with {done.returncode}")
    return None
