"""The errors that a caller can cause. Each message says what was got, what is allowed and what to do."""


class FluxfixError(Exception):
    """Base of every error that a caller can cause; `context` holds the numbers of the message."""

    def __init__(self, message: str, **context: object) -> None:
        super().__init__(message)
        self.context = context


class ArgumentError(FluxfixError, ValueError):
    """An argument of a Python call or of a command is not one of those allowed."""


class ClockError(ArgumentError):
    """A sample's time is not finite, or lies before that of the sample ahead of it."""


class TimeError(ClockError):
    """A sample's time is no finite number."""


class UntoldFieldError(ArgumentError):
    """Readings cannot tell a foreign field from their positions."""


class RigFileError(FluxfixError):
    """The content of a rig file makes no sense."""


class RecordingError(FluxfixError):
    """The content of a recording makes no sense, or does not fit the rig."""


class UnsupportedError(FluxfixError):
    """The rig is valid, but this function cannot compute with one of its keys yet."""


class TableError(FluxfixError):
    """No table can be made as asked, or the content of a table file makes no sense."""


class InputFileError(FluxfixError):
    """A file or folder named as input cannot be opened."""


class OutputError(FluxfixError):
    """A file or folder named as output cannot be written, or exists already."""


class ServiceError(FluxfixError):
    """The service cannot be started or reached."""


class RigNotFoundError(FluxfixError):
    """The service has no rig of that name."""


def short(value: float, digits: int = 3) -> str:
    """A number in a sentence: so many significant digits, or all of those before the point; never 3.6e+03."""
    return f"{value:.0f}" if 10.0**digits <= abs(value) < float("inf") else f"{value:.{digits}g}"
