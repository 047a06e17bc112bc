"""Letting go of compiled functions before a process has too many of them.

Each kind of rig takes some thousand memory maps: its joints, sensors and shapes are compiled in, its numbers are not.
The system gives a process 65,530 of them by default, and beyond that the compiler aborts the process.
"""

import sys
from pathlib import Path

MOST_MAPS = 30_000
"""What is compiled between two looks must find room above it; a look costs a millisecond for every 5000 maps."""
MAPS = Path("/proc/self/maps")


def let_go_of_too_many() -> bool:
    """Let go of every compiled function if they take too many memory maps, and say so; those in use end as they are.

    What is needed again is compiled again, mostly from the cache on the disk. Single readings, batches and streams
    need none of it where rigs have native code.
    """
    if "jax" not in sys.modules or not MAPS.exists() or MAPS.read_bytes().count(b"\n") <= MOST_MAPS:
        return False
    sys.modules["jax"].clear_caches()
    return True
