"""What the service writes down: never a reading, a token or a message of a caller."""

import datetime as dt
import json
import logging
import sys
import threading
import traceback
from typing import Any, TextIO

_CALLS = logging.getLogger("fluxfix.service.calls")
_TEXT = "%(asctime)s %(levelname)s %(name)s: %(message)s"
_FIELDS = "fields"


class CallLog:
    """An observer that logs each call that did not end with OK, once."""

    only_failures = True

    def __init__(self) -> None:
        self._refused = threading.local()  # a refusal ends its call in the same thread

    def began(self, method: str) -> None:
        """Say nothing."""

    def ended(self, method: str, code: str, seconds: float, _context: Any = None) -> None:
        """Log a call that failed."""
        told = getattr(self._refused, "method", None) == method
        self._refused.method = None
        if code != "OK" and not told:
            _log("call ended with %s: %s", code, method, {"seconds": round(seconds, 6)})

    def refused(self, method: str, code: str, reason: str) -> None:
        """Log why a call was turned away."""
        self._refused.method = method
        _log("call turned away with %s: %s", code, method, {"reason": reason})


class JsonFormatter(logging.Formatter):
    """One JSON object a line: time (UTC, ISO 8601), level, logger, message, the fields of a call, places of a fault.

    Of an exception it keeps the type and the places in the code, not the text, which may quote a reading.
    """

    def format(self, record: logging.LogRecord) -> str:
        """Give one line."""
        line: dict[str, object] = {
            "time": dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= getattr(record, _FIELDS, {})
        if record.exc_info and record.exc_info[0] is not None:
            line["exception"], line["places"] = _fault(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


class PlainFormatter(logging.Formatter):
    """One line for people, and the places of a fault below it; as JsonFormatter, without an exception's text."""

    def __init__(self) -> None:
        super().__init__(_TEXT)

    def formatException(self, ei: object) -> str:
        """Give type and places."""
        assert isinstance(ei, tuple)
        kind, places = _fault(ei)
        return "\n".join([f"  {kind}", *(f"    {place}" for place in places)])


def set_up(form: str, stream: TextIO = sys.stderr) -> None:
    """Write the log of fluxfix from INFO, of all else from WARNING, as "text" or "json" lines."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonFormatter() if form == "json" else PlainFormatter())
    logging.basicConfig(level=logging.WARNING, handlers=[handler])
    logging.getLogger("fluxfix").setLevel(logging.INFO)


def _log(text: str, code: str, method: str, more: dict[str, object]) -> None:
    if _CALLS.isEnabledFor(logging.INFO):
        _CALLS.info(text, code, method, extra={_FIELDS: {"method": method, "code": code, **more}})


def _fault(raised: tuple[Any, ...]) -> tuple[str, list[str]]:
    """Give the type of an exception, and the places that it came through."""
    kind, _, trace = raised
    return kind.__name__, [f"{one.filename}:{one.lineno} {one.name}" for one in traceback.extract_tb(trace)]
