"""The TypeScript example, compiled and run against a service."""

from pathlib import Path

from clients.target import Target, built, check_printed, need

FOLDER = Path(__file__).parents[2] / "clients/typescript"
HINT = "install Node.js 20, and run `npm ci --ignore-scripts` in clients/typescript"


def test_example_lists_and_solves(target: Target) -> None:
    """One reading and a thousand packed ones are solved as in process, over TLS with a token."""
    need("node", "npm", str(FOLDER / "node_modules/.bin/tsc"), hint=HINT)
    built("npm", "run", "--silent", "build", folder=FOLDER)

    check_printed(target.run("node", FOLDER / "build/out/src/example.js"), target.rig)
