"""The command line: one file a command, each of which parses, calls and prints."""

import os
import sys


def main() -> None:
    """Run the command line and end the process with its exit code: 0 done, 1 content, 2 command line, 130 Ctrl-C."""
    from fluxfix.cli.run import run

    code = run(sys.argv[1:])
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # Who read the output has enough of it; Python must not complain at exit that the rest found no reader.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)
