"""Run benchmarks: all of them, or those named. Each runs in a process of its own and writes bench_data/<name>.json.

python tests/bench/run.py [--list] [NAME ...]
"""

import argparse
import importlib
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[0] = str(TESTS)  # the folder of this file would hide modules of other names

from bench import quote, record  # noqa: E402 found only now

# By name: its module, and how many cores it may use, which must be set before anything else is imported.
BENCHMARKS = {
    "field": ("fields", 1),
    "solve": ("solving", 1),
    "latency": ("latency", 2),
    "track": ("tracking", 2),
    "calibration": ("calibration", 1),
    "many-units": ("many_units", 2),
    "many-units-one-core": ("many_units", 1),
    "table": ("tables", 1),
    "rates": ("rates", 2),
    "start-up": ("startup", 2),
    "demo-accuracy": ("accuracy", 2),
}
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def main() -> int:
    """Parse the command line and start a process for each benchmark; 1 if one of them failed."""
    parser = argparse.ArgumentParser(description="Benchmarks: ratios to named baselines, written to bench_data.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="benchmarks to run; all without a name")
    parser.add_argument("--list", action="store_true", help="list the benchmarks")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)  # in the process of its own
    chosen = parser.parse_args()
    unknown = [name for name in chosen.names if name not in BENCHMARKS]
    if unknown:
        parser.error(f"got {unknown[0]!r}, the benchmarks are: {', '.join(BENCHMARKS)}")
    if chosen.list:
        for name, (module, cores) in BENCHMARKS.items():
            print(f"{name}: tests/bench/{module}.py, {cores} core{'s' if cores > 1 else ''}")
        return 0
    if chosen.inside:
        inside(chosen.names[0])
        return 0
    failed = []
    for name in chosen.names or BENCHMARKS:
        begin = time.monotonic()
        if subprocess.run([sys.executable, __file__, "--inside", name], env=surroundings(name), check=False).returncode:
            failed.append(name)
        print(f"  ({time.monotonic() - begin:.0f} s)", file=sys.stderr)
    if not failed:
        quote.main()
    if failed:
        print(f"failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def surroundings(name: str) -> dict[str, str]:
    """The environment of a benchmark's process: libraries with pools of threads are told to use one."""
    return dict(os.environ) | (ONE_THREAD if BENCHMARKS[name][1] == 1 else {})


def inside(name: str) -> None:
    """Run one benchmark in this process, on as many cores as it is entitled to."""
    module, cores = BENCHMARKS[name]
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[-cores:])
    benchmark = importlib.import_module(f"bench.{module}")
    about: record.About = benchmark.ABOUT
    record.write(name, replace(about, command=f"python tests/bench/run.py {name}", cores=cores), benchmark.rows())


if __name__ == "__main__":
    sys.exit(main())
