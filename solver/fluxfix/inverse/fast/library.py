"""The native evaluator's library: packaged with the wheel, else compiled at its first use into the user's cache."""

import ctypes
import functools
import hashlib
import logging
import os
import tempfile
from pathlib import Path

from fluxfix import cache
from fluxfix.inverse.native import compile as build

SWITCH = "FLUXFIX_NATIVE"
"""Environment variable: `off` leaves the native evaluator out."""

MAX_JOINTS, MAX_VALUES, MAX_TERMS, MAX_POINTS, MAX_FEATURES, MAX_MONOMIALS = 4, 24, 128, 4096, 4, 128
"""Sizes in ffx_form.h."""

_log = logging.getLogger(__name__)
_INTEGERS, _NUMBERS = ctypes.c_int64 * MAX_JOINTS, ctypes.c_double * MAX_JOINTS


class FormStruct(ctypes.Structure):
    """`ffx_form` of ffx_form.h: the same fields in the same order."""

    _fields_ = (
        [(name, ctypes.c_int64) for name in ("joints", "values", "sensors")]
        + [(name, _INTEGERS) for name in ("terms", "common_terms", "drift_terms", "wraps")]
        + [
            (name, ctypes.c_int64)
            for name in ("points", "points_of_joint", "features", "monomials", "unit")
        ]
        + [
            (name, _NUMBERS)
            for name in ("low", "high", "lowest", "highest", "resolution", "position_sd", "first", "step")
        ]
        + [
            (name, ctypes.c_void_p)
            for name in (
                "coefficients", "common", "drift", "low_mT", "high_mT", "sensor_of_value", "weakest2", "strongest2",
                "misfit_limit", "grid_mT", "grid_drift_mT", "across", "calm", "mix", "centre", "parent", "variable",
                "start",
            )
        ]
    )  # fmt: skip


class FixesStruct(ctypes.Structure):
    """`ffx_fixes` of ffx_form.h."""

    _fields_ = [
        (name, ctypes.c_void_p) for name in ("position", "covariance", "noise", "misfit", "other", "dof", "status")
    ]


@functools.cache
def library() -> ctypes.CDLL | None:
    """The library, loaded once; None where there is none, which is slower and changes no result."""
    if os.environ.get(SWITCH, "").lower() == "off":
        return None
    level = build.level()
    packaged = _load(build.SOURCES / build.name(level))
    if packaged is not None:
        return packaged
    home = cache.folder()
    if home is not None:
        text = b"".join(path.read_bytes() for path in sorted(build.SOURCES.glob("ffx_*.[ch]")))
        mark = hashlib.sha256(text + repr((build.FLAGS, build.PARTS)).encode()).hexdigest()[:16]
        return _made(level, home / f"native-{mark}" / build.name(level))
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:  # what is loaded needs its file no more
        return _made(level, Path(folder) / build.name(level))


def _made(level: str, target: Path) -> ctypes.CDLL | None:
    """Load a library, compiled first where it does not exist."""
    if not target.exists():
        wrong = build.compiled(level, target)
        if wrong is not None:
            _log.info("readings are solved without native code, since %s", wrong)
            return None
    return _load(target)


def _load(path: Path) -> ctypes.CDLL | None:
    if not path.exists():
        return None
    try:
        found = ctypes.CDLL(str(path))
        found.ffx_form_size.restype = ctypes.c_size_t
        if found.ffx_form_size() != ctypes.sizeof(FormStruct):
            return None
    except (OSError, AttributeError) as error:
        _log.info("%s cannot be loaded: %s", path, error)
        return None
    return found
