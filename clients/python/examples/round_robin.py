"""Replicas of a service, used in turn by one client.

Start two servers of one folder, on one machine or two, then give both addresses:

    fluxfix serve --rigs DIR --address 127.0.0.1:50061
    fluxfix serve --rigs DIR --address 127.0.0.1:50062
    python round_robin.py ipv4:127.0.0.1:50061,127.0.0.1:50062 boom-stick 1.1 -1.6 23.9

A name does as well where it stands for several machines: `dns:///fluxfix.example:50061`. Servers keep nothing between
calls, so any of them answers any call; while one is away the others take its share. Workers of one server
(`--workers`) share a port, and the system gives each new connection to one of them: a client stays with its worker.

The result is not certified for safety functions: on any flag, and whenever a call fails or is late, go to the safe
state.
"""

import sys

from fluxfix_client import Client

CALLS = 10


def main() -> None:
    """Solve one reading several times, each at the next server."""
    if len(sys.argv) < 4:
        sys.exit("usage: round_robin.py ADDRESS RIG VALUE [VALUE ...]")
    address, rig, *values = sys.argv[1:]
    reading = [float(value) for value in values]
    with Client(address) as client:
        for _ in range(CALLS):
            fix = client.solve(rig, reading)
            print(*fix.position, fix.status_words)


if __name__ == "__main__":
    main()
