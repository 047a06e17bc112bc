"""SolveReading from bytes to bytes: a request in the form that every program of ours writes is not taken apart.

Such a request is the rig's name, then as many values as a reading has, packed, and nothing else; its values already
are what the native evaluator reads. The answer has one form, too, but for its numbers, so that it is put together from
pieces. Both are messages like others: whatever does not have that form goes the usual way, and gives the same bytes.

Source: Protocol Buffers, Encoding (tags, varints, packed fields), protobuf.dev/programming-guides/encoding.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field

from fluxfix.service.fairness import Fairness
from fluxfix.service.packing import varint
from fluxfix.service.ports import ServedRig
from fluxfix.service.store import RigStore
from fluxfix.status import Status

_NAME, _VALUES = b"\x0a", b"\x12"
"""Tags of SolveReadingRequest: `name` and `flux_density_millitesla`."""
_FIX = b"\x0a"
_POSITION, _COVARIANCE, _NOISE, _MISFIT, _DOF, _STATUS = b"\x0a", b"\x12", b"\x1a", b"\x21", b"\x28", b"\x30"
"""Tags of SolveReadingResponse, and of Fix within it."""
_PREFIX = b"rigs/"
_BYTES = 8  # of a binary64
_ZERO = bytes(_BYTES)
_AMBIGUOUS = int(Status.AMBIGUOUS)
Evaluate = Callable[[bytes], bytes]


@dataclass(frozen=True)
class _Form:
    """How requests for one rig begin, and how their answers are put together; offsets are those of `Single.raw`."""

    rig: ServedRig
    evaluate: Evaluate
    head: bytes
    """A request up to its values."""
    size: int
    """Of a request."""
    cuts: tuple[int, int, int, int]
    """Where position, covariance, noise covariance and misfit end."""
    tags: tuple[bytes, bytes, bytes]
    """What stands before the first three."""
    ends: dict[bytes, tuple[bytes, bytes]] = field(default_factory=dict)
    """By degrees of freedom and status: what an answer begins and ends with; there are few of them."""

    def answer(self, request: bytes) -> bytes | None:
        """Solve; None where the answer has another form."""
        raw = self.evaluate(request[len(self.head) :])
        end = self.ends.get(raw[-_BYTES:])
        if end is None:
            end = self._learned(raw[-_BYTES:])
            if end is None:
                return None
        a, b, c, d = self.cuts
        misfit = raw[c:d]
        if misfit == _ZERO:  # which a message leaves out
            return None
        position, covariance, noise = self.tags
        return b"".join((end[0], position, raw[:a], covariance, raw[a:b], noise, raw[b:c], _MISFIT, misfit, end[1]))

    def _learned(self, counts: bytes) -> tuple[bytes, bytes] | None:
        dof, status = (int.from_bytes(part, "little", signed=True) for part in (counts[:4], counts[4:]))
        if dof < 0 or status < 0 or status & _AMBIGUOUS:
            return None
        end = (_DOF + varint(dof) if dof else b"") + (_STATUS + varint(status) if status else b"")
        length = sum(map(len, self.tags)) + self.cuts[2] + len(_MISFIT) + _BYTES + len(end)
        found = self.ends[counts] = (_FIX + varint(length), end)
        return found


class ShortReadings:
    """Answers requests for the rigs that it has learned of; threads may share it."""

    METHOD = "/fluxfix.v1.SolveService/SolveReading"

    def __init__(self, store: RigStore, fairness: Fairness) -> None:
        self._store, self._fairness = store, fairness
        self._forms: dict[bytes, _Form] = {}

    def learn(self, rig: ServedRig) -> None:
        """Take note of a rig whose evaluator has been made; there is nothing to note where it is not native."""
        begins = _begins(rig.name)
        known = self._forms.get(begins)
        if (known is None or known.rig is not rig) and sys.byteorder == "little" and rig.single().native:
            self._forms[begins] = _form(rig, begins)

    def answer(self, request: bytes) -> bytes | None:
        """Answer a request, or leave it to the usual way: None. Nothing is read or made."""
        if len(request) < len(_NAME) + 1:
            return None
        form = self._forms.get(request[: len(_NAME) + 1 + request[1]])
        if form is None or len(request) != form.size or not request.startswith(form.head):
            return None
        self._fairness.live()
        return form.answer(request) if self._store.unchanged(form.rig.name) is form.rig else None


def _begins(name: str) -> bytes:
    text = _PREFIX + name.encode()
    return _NAME + varint(len(text)) + text


def _form(rig: ServedRig, begins: bytes) -> _Form:
    d, values = len(rig.joints), _BYTES * len(rig.columns)
    head = begins + _VALUES + varint(values)
    one, square = _BYTES * d, _BYTES * d * d
    return _Form(
        rig=rig,
        evaluate=rig.single().raw,
        head=head,
        size=len(head) + values,
        cuts=(one, one + square, one + 2 * square, one + 2 * square + _BYTES),
        tags=(_POSITION + varint(one), _COVARIANCE + varint(square), _NOISE + varint(square)),
    )
