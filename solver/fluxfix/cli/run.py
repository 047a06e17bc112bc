"""From arguments to an exit code."""

import sys
from collections.abc import Sequence

import typer
from typer.exceptions import TyperException

from fluxfix import errors
from fluxfix.cli import (
    STOPPED,
    calibrate,
    check,
    demo,
    new,
    rates,
    readings,
    serve,
    solve,
    stops,
    survey,
    table,
    track,
    unit,
)

CONTENT, USAGE, INTERRUPTED = 1, 2, STOPPED

_USAGE_ERRORS = (errors.ArgumentError, errors.InputFileError, errors.OutputError, errors.ServiceError)
"""What the command line named cannot be used as it is; every other error is about the content of a file."""

app = typer.Typer(
    name="fluxfix",
    help="From the readings of 3-axis linear Hall sensors to the position of a magnet, with its accuracy.",
    epilog="Positions are in each joint's unit (deg or mm), flux densities in mT. Exit codes: 0 done, also when "
    "samples are flagged; 1 a file's content cannot be used; 2 command line; 130 Ctrl-C.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

app.command("demo")(demo.command)
app.command("new")(new.command)
app.command("check")(check.command)
app.command("readings")(readings.command)
app.command("stops")(stops.command)
app.command("calibrate")(calibrate.command)
app.command("solve")(solve.command)
app.command("track")(track.command)
app.command("survey")(survey.command)
app.command("table")(table.command)
app.command("unit")(unit.command)
app.command("rates")(rates.command)
app.command("serve")(serve.command)


@app.callback()
def _root(
    version: bool = typer.Option(False, "--version", help="Print the version and leave.", is_eager=True),
) -> None:
    if version:
        from importlib.metadata import version as installed

        print(installed("fluxfix"))
        raise typer.Exit


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit code; what went wrong is said in a sentence on stderr."""
    try:
        code = app(list(arguments), standalone_mode=False)
    except TyperException as error:
        return _said(error)
    except (KeyboardInterrupt, typer.Abort):
        return INTERRUPTED
    except errors.FluxfixError as error:
        print(f"fluxfix: {error}", file=sys.stderr)
        return USAGE if isinstance(error, _USAGE_ERRORS) else CONTENT
    except SystemExit:
        return 0  # the parser's way to say that nobody reads the output any more
    return code if isinstance(code, int) else 0


def _said(error: TyperException) -> int:
    context = getattr(error, "ctx", None)
    where = context.command_path if context is not None else "fluxfix"
    message = error.format_message()
    if not message:  # no command at all: the help has been printed
        return USAGE
    print(f"{where}: {message} See {where} --help", file=sys.stderr)
    return USAGE
