"""A valve's coil under a current regulator: rise by the supply, fall by the freewheeling diode.

L di/dt = V - R i while the switch is on, L di/dt = -Vd - R i while the current freewheels: both exponentials, solved
exactly piece by piece. The regulator is ideal: full supply until the wanted current is there, freewheeling until it
has come down, then held; the ripple of its switching is left out and given by a formula of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# Copper's rise of resistance per kelvin, referred to 20 C: IEC 60028 [S].
COPPER_PER_K = 0.00393
REFERENCE_C = 20.0


@dataclass(frozen=True, slots=True)
class Coil:
    """A coil with its driver.

    Attributes:
        resistance_ohm: at 20 C.
        inductance_h: taken as constant.
        supply_v: that the driver can put across the coil.
        freewheel_v: against which the current dies down: a diode's 0.7 V, more with a clamp.
        temperature_c: of the winding.

    """

    resistance_ohm: float = 2.2
    inductance_h: float = 12e-3
    supply_v: float = 13.5
    freewheel_v: float = 0.7
    temperature_c: float = REFERENCE_C

    @property
    def warm_ohm(self) -> float:
        """Resistance at the winding's temperature."""
        return self.resistance_ohm * (1.0 + COPPER_PER_K * (self.temperature_c - REFERENCE_C))

    @property
    def time_constant_s(self) -> float:
        """L / R at the winding's temperature."""
        return self.inductance_h / self.warm_ohm

    @property
    def most_a(self) -> float:
        """Current that the supply can hold."""
        return self.supply_v / self.warm_ohm

    def rise_s(self, start_a: float, end_a: float) -> float:
        """Return the time from one current up to another, infinite where the supply cannot."""
        if end_a <= start_a:
            return 0.0
        if end_a >= self.most_a:
            return math.inf
        return self.time_constant_s * math.log((self.most_a - start_a) / (self.most_a - end_a))

    def fall_s(self, start_a: float, end_a: float) -> float:
        """Return the time that freewheeling takes from one current down to another, 0 or more."""
        if end_a >= start_a:
            return 0.0
        drop_a = self.freewheel_v / self.warm_ohm
        if drop_a + max(end_a, 0.0) <= 0.0:
            return math.inf
        return self.time_constant_s * math.log((start_a + drop_a) / (max(end_a, 0.0) + drop_a))

    def after(self, start_a: float, wanted_a: float, time_s: float) -> float:
        """Return the current a time after a new current was asked for."""
        left = math.exp(-time_s / self.time_constant_s)
        if wanted_a > start_a:
            return min(self.most_a + (start_a - self.most_a) * left, wanted_a)
        drop_a = self.freewheel_v / self.warm_ohm
        # Where the supply has sunk, a current above what it can hold dies down by itself.
        return max(-drop_a + (start_a + drop_a) * left, wanted_a, 0.0)

    def ripple_a(self, duty: float, switching_hz: float) -> float:
        """Return the ripple of the current, peak to peak, switched with a period far below the time constant."""
        return self.supply_v * duty * (1.0 - duty) / (self.inductance_h * switching_hz)

    def regulator(self, closed_loop_s: float) -> tuple[float, float]:
        """Return proportional and integral gain in V/A and V/(A s) by cancelling the coil's pole."""
        return self.inductance_h / closed_loop_s, self.warm_ohm / closed_loop_s
