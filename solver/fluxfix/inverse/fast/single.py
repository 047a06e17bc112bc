"""One reading at a time with as little Python as can be: for streams and services."""

from __future__ import annotations

import ctypes
import struct
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from fluxfix.errors import ArgumentError
from fluxfix.inverse.fixes import Fixes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.native import Native

    Floats = NDArray[np.float64]


class SingleFix(NamedTuple):
    """One fix in plain Python numbers; matrices by rows."""

    position: tuple[float, ...]
    covariance: tuple[float, ...]
    noise_covariance: tuple[float, ...]
    misfit: float
    dof: int
    status: int
    other: tuple[float, ...]


class Single:
    """Solves one reading after the other through native code, or through `many` where there is none.

    Threads may share it: every call has buffers of its own, and the native code is too short to let another thread run.
    """

    def __init__(self, columns: int, joints: int, native: Native | None, weights: bytes, many: Callable[..., Fixes]):
        """Prepare; use `Rig.single()`.

        Args:
            columns: values in a reading.
            joints: solved.
            native: the evaluator, if there is one.
            weights: (m,) in 1/mT², as bytes.
            many: solves readings (n, m) where there is no native code.
        """
        self._columns, self._joints, self._many = columns, joints, many
        self.native, self._kept, self._weights = native is not None, native, weights
        self.shape = (columns,)
        numbers = 2 * joints + 2 * joints**2 + 1  # then dof and status as integers in the place of one more
        self._buffer = ctypes.c_double * (numbers + 1)
        self._format = struct.Struct(f"{numbers}d2i")
        self._reading = struct.Struct(f"{columns}d")
        if native is not None:
            # Not to let go of the interpreter's lock costs less than to take it again, which another thread can delay.
            call = ctypes.PyDLL(native.code._name).ffx_solve_one
            call.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_void_p]
            call.restype = None
            self._call, self._form = call, ctypes.addressof(native.struct)

    def solve(self, values: Sequence[float]) -> SingleFix:
        """Solve one reading.

        Args:
            values: in mT, in the order of the rig's columns; NaN is not measured, an infinite value is saturated.

        Raises:
            ArgumentError: the number of values is another one.
        """
        if not self.native:
            return self._slowly(values)
        try:
            reading = self._reading.pack(*values)
        except (struct.error, TypeError):
            raise self._misshapen(values) from None
        out = self._buffer()
        self._call(self._form, self._weights, reading, out)
        found = self._format.unpack(out)
        d = self._joints
        a, b = d + d * d, d + 2 * d * d
        return SingleFix(found[:d], found[d:a], found[a:b], found[b], found[-2], found[-1], found[b + 1 : -2])

    def raw(self, reading: bytes) -> bytes:
        """Solve one reading given as the bytes of its doubles, by native code.

        Args:
            reading: m doubles in mT, of this machine's own byte order; the length is not checked.

        Returns:
            Doubles: position (d), covariance and its noise part (d · d each), misfit, other position (d); then degrees
            of freedom and status, four bytes each.
        """
        out = self._buffer()
        self._call(self._form, self._weights, reading, out)
        return bytes(out)

    def fixes(self, reading: bytes, leading: tuple[int, ...] = ()) -> Fixes:
        """Solve one reading given as the bytes of its doubles, by native code.

        Args:
            reading: in mT.
            leading: (1,) where the fix is to have a first axis.
        """
        out = self._buffer()
        self._call(self._form, self._weights, reading, out)
        found: Floats = np.frombuffer(out)  # type: ignore[call-overload]
        d = self._joints
        a, b = d + d * d, d + 2 * d * d
        counts = found[-1:].view(np.int32)
        if leading:
            return Fixes(
                found[:d].reshape(1, d),
                found[d:a].reshape(1, d, d),
                found[a:b].reshape(1, d, d),
                found[b : b + 1],
                counts[:1],
                counts[1:],
                found[b + 1 : -1].reshape(1, d),
            )
        return Fixes(
            found[:d],
            found[d:a].reshape(d, d),
            found[a:b].reshape(d, d),
            found[b],
            counts[0],
            counts[1],
            found[b + 1 : -1],
        )

    def _slowly(self, values: Sequence[float]) -> SingleFix:
        try:
            row = np.array([values], dtype=np.float64)
        except (TypeError, ValueError):
            raise self._misshapen(values) from None
        if row.shape != (1, self._columns):
            raise self._misshapen(values)
        one = self._many(row)[0]
        return SingleFix(
            tuple(one.position.tolist()),
            tuple(one.covariance.ravel().tolist()),
            tuple(one.noise_covariance.ravel().tolist()),
            float(one.misfit),
            int(one.dof),
            int(one.status),
            tuple(one.other.tolist()),
        )

    def _misshapen(self, values: object) -> ArgumentError:
        got = f"{len(values)} values" if isinstance(values, Sequence) else repr(values)
        return ArgumentError(f"got {got}, needs {self._columns} numbers: send one for each column of a reading")
