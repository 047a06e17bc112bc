"""The native filter: C through ctypes."""

from __future__ import annotations

import ctypes
import functools
import time
from collections.abc import Callable
from dataclasses import dataclass
from struct import Struct
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.inverse.fast import address, library
from fluxfix.inverse.track import state as states
from fluxfix.inverse.track.room import COLUMNS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix.inverse.fast.native import Native
    from fluxfix.inverse.track.motion import Motion
    from fluxfix.inverse.track.room import Room

    Floats = NDArray[np.float64]

SHORT = 64
"""Samples that may be followed without letting go of the interpreter: to take it again costs more than they do."""
BRIEF_S = 2e-4
"""How long that may take. A sample costs half a microsecond, but one that has to be found anew up to 0.3 ms."""
FADES = 0.95
"""Share of what is known of the cost of a sample that is left after the next batch: one bad batch is remembered."""


class MotionStruct(ctypes.Structure):
    """`ffx_motion` of ffx_track.h."""

    _fields_ = (
        ("acceleration", ctypes.c_double * library.MAX_JOINTS),
        ("speed", ctypes.c_double * library.MAX_JOINTS),
        ("ahead_s", ctypes.c_double),
        ("coast_s", ctypes.c_double),
        ("instants", ctypes.c_int64),
        ("instant_s", ctypes.c_void_p),
        ("instant_of_value", ctypes.c_void_p),
        ("gate", ctypes.c_void_p),
    )


_TRACKS = Struct(f"{len(COLUMNS)}P")
"""`ffx_tracks` of ffx_track.h: where each column of `Room` begins."""


@dataclass
class NativeFilter:
    """A rig and its motion as the library reads them; threads may share it, each with a state of its own."""

    evaluator: Native
    struct: MotionStruct
    arrays: tuple[NDArray[np.generic], ...]
    """What the structure points to."""
    addresses: tuple[int, int, int]
    """Of the evaluator's structure, of this one, and of the weights."""
    brief: Callable[..., int]
    """The function, without letting go of the interpreter."""
    long: Callable[..., int]
    sample_s: float = np.inf
    """What a sample has lately taken of a processor; nothing is known before the first batch."""

    def is_brief(self, count: int) -> bool:
        """Whether so many samples are expected to take no longer than giving the interpreter away and back."""
        return count <= SHORT and count * self.sample_s <= BRIEF_S

    def follow(self, state: Floats, t_s: Floats | bytes, readings_mT: Floats | bytes, room: Room) -> int:
        """Follow the samples (n,), (n, m) that there is room for, and change the state; bytes are taken as doubles.

        Returns:
            The first row whose time is not finite or goes back, -1 if there is none: nothing happens else.
        """
        call = self.brief if self.is_brief(room.count) else self.long
        begin_s = time.thread_time()  # while others have the processor nothing is taken
        bad = call(
            *self.addresses,
            address.of(state),
            t_s if isinstance(t_s, bytes) else address.of(t_s),
            readings_mT if isinstance(readings_mT, bytes) else address.of(readings_mT),
            room.count,
            _TRACKS.pack(*room.addresses()),
        )
        taken_s = (time.thread_time() - begin_s) / room.count
        self.sample_s = max(taken_s, FADES * self.sample_s) if self.sample_s < np.inf else taken_s
        return bad


def make(evaluator: Native, motion: Motion, weights: Floats, gate: Floats) -> NativeFilter | None:
    """The native filter of a rig; None where the library has none.

    Args:
        evaluator: of the rig.
        motion: of its joints.
        weights: (m,) in 1/mT².
        gate: (m + 1,) chi-square up to which a reading is believed, by values used.
    """
    code = evaluator.code
    code.ffx_motion_size.restype = code.ffx_track_state_size.restype = ctypes.c_size_t
    if (code.ffx_motion_size(), code.ffx_track_state_size()) != (ctypes.sizeof(MotionStruct), 8 * states.SIZE):
        return None
    instants, of_value = np.unique(motion.late_s, return_inverse=True)
    arrays: tuple[NDArray[np.generic], ...] = (
        np.ascontiguousarray(weights, np.float64),
        np.ascontiguousarray(instants, np.float64),
        np.ascontiguousarray(of_value, np.int64),
        np.ascontiguousarray(gate, np.float64),
    )
    struct = MotionStruct(
        acceleration=(ctypes.c_double * library.MAX_JOINTS)(*motion.acceleration.tolist()),
        speed=(ctypes.c_double * library.MAX_JOINTS)(*motion.speed.tolist()),
        ahead_s=motion.ahead_s,
        coast_s=motion.coast_s,
        instants=len(instants),
        instant_s=address.of(arrays[1]),
        instant_of_value=address.of(arrays[2]),
        gate=address.of(arrays[3]),
    )
    brief, long = _callables(code._name)
    addresses = (ctypes.addressof(evaluator.struct), ctypes.addressof(struct), address.of(arrays[0]))
    return NativeFilter(evaluator, struct, arrays, addresses, brief, long)


@functools.cache
def _callables(path: str) -> tuple[Callable[..., int], Callable[..., int]]:
    """The function of a library, without letting go of the interpreter and with that.

    Made once: each time a library is opened Python makes a class, which nothing but a search for garbage takes away.
    """
    functions = [kind(path).ffx_track for kind in (ctypes.PyDLL, ctypes.CDLL)]
    for function in functions:
        function.argtypes = [*(ctypes.c_void_p,) * 6, ctypes.c_size_t, ctypes.c_void_p]
        function.restype = ctypes.c_int64
    return functions[0], functions[1]
