"""When things happen: conversions, transfers, and what comes after them until a position is used. All times in µs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from fluxfix import rigfile

Floats = NDArray[np.float64]

BYTE, ACKNOWLEDGED = 8, 9
"""Bits of a byte, and clock periods that it takes on an I²C bus."""
SLACK = 1e-9
"""Part by which a period may miss a whole number of readings through round-off, and still holds them all."""


@dataclass(frozen=True)
class Timing:
    """How long one reading takes, and which instant each of its values tells of."""

    conversion_us: float
    """All axes of a sensor, one after the other; several sensors convert side by side."""
    transfer_us: float
    """Over the bus."""
    instants_us: tuple[float, ...] = ()
    """By value, from the begin of a reading: the middle of its conversion less the part's group delay. Without them
    every value tells of the middle of the conversions."""

    @property
    def reading_us(self) -> float:
        """From the begin of the first conversion to the last bit."""
        return self.conversion_us + self.transfer_us

    def instants(self, values: int) -> Floats:
        """The instant of each value, (values,) from the begin of a reading."""
        return np.array(self.instants_us or (0.5 * self.conversion_us,) * values, dtype=np.float64)

    def most(self, period_us: float) -> int:
        """Readings that fit into a period."""
        return int(np.floor(period_us / self.reading_us * (1.0 + SLACK)))

    def ready_us(self, count: int) -> float:
        """From the mean of the instants of `count` readings, one after the other, to the last bit."""
        middle = float(np.mean(self.instants_us)) if self.instants_us else 0.5 * self.conversion_us
        return 0.5 * (count + 1) * self.reading_us - middle


@dataclass(frozen=True)
class Chain:
    """What comes between a solved fix and its use, and is no part of a rig."""

    jitter_us: float = 0.0
    """A fix is picked up by polling or an interrupt: up to so much later, evenly spread."""
    filter_us: float = 0.0
    """Group delay of a filter behind the fixes."""
    transport_us: float = 0.0
    """To where it is used."""
    hold_us: float | None = None
    """How long an output stands; None: until the next one, a sample period."""

    @property
    def after_us(self) -> float:
        """All of it but the hold, on the mean."""
        return 0.5 * self.jitter_us + self.filter_us + self.transport_us


DIRECT = Chain()
"""A fix is used as it comes out, until the next one."""


def timing_of(file: rigfile.RigFile) -> Timing:
    """The timing of a rig's sensors, which convert side by side and share no bus.

    A low-pass of one pole delays what is slow against its bandwidth by 1 / (2 π · bandwidth); source:
    Oppenheim, Willsky, Signals and Systems, 1997, ch. 6 (from memory).
    """
    conversion = max(len(sensor.axes) * sensor.conversion_us for sensor in file.sensor)
    transfer = 0.0
    instants: list[float] = []
    for sensor in file.sensor:
        if sensor.bus is not None:
            transfer = max(transfer, transfer_us(sensor.bus, len(sensor.axes)))
        old = 0.0 if sensor.bandwidth_kHz is None else 1000.0 / (2.0 * np.pi * sensor.bandwidth_kHz)
        instants += [
            float((0.5 + (place if sensor.sequential else 0.0)) * sensor.conversion_us - old)
            for place in range(len(sensor.axes))
        ]
    return Timing(conversion, transfer, tuple(instants))


def transfer_us(bus: rigfile.Bus, axes: int) -> float:
    """How long one reading is on the bus, in µs.

    Over SPI each bit takes a clock period, over I²C each byte takes nine: the receiver acknowledges it (I²C-bus
    specification, 3.1.6). The overhead of a reading is stated in clock periods.
    """
    bits = bus.bits_per_axis if bus.kind == "spi" else ACKNOWLEDGED * -(-bus.bits_per_axis // BYTE)
    return 1000.0 * (axes * bits + bus.overhead_bits) / bus.clock_kHz
