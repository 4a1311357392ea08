"""What each corner carries at an acceleration and a speed, and what damping that corner then calls critical.

A corner's critical damping is 2 sqrt(k m) at the wheel, m the *sprung* mass that the corner carries there and k its wheel
rate at that travel, springs and motion ratio only [C]: bars do nothing in heave, the stops are not springs to tune
on, and the tyre stands in series only where a frequency is asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.car import GRAVITY_M_S2, Car

if TYPE_CHECKING:
    from dashpot.plant.car import Floats
    from dashpot.plant.damper import Gas

# Of the time step only that it exists: nothing is integrated here.
_SHORT_S = 1e-6
# A corner that hardly carries anything still has a body above it: its share of the mass is not taken below this of rest.
LEAST_CARRIED = 0.25


@dataclass(frozen=True, slots=True)
class Loaded:
    """The car in a steady state; arrays of four corners.

    Attributes:
        accel_long_m_s2: + forwards.
        accel_lat_m_s2: + to the left.
        speed_m_s: of the air, for downforce and drag.
        tyre_n: loads of the tyres.
        wheel_m: wheel travels, compression positive.
        carried_kg: sprung mass that each corner carries.
        rate_n_per_m: wheel rate there, without bar and stops.
        ratio: motion ratio of the damper there.

    """

    accel_long_m_s2: float
    accel_lat_m_s2: float
    speed_m_s: float
    tyre_n: Floats
    wheel_m: Floats
    carried_kg: Floats
    rate_n_per_m: Floats
    ratio: Floats

    @property
    def critical_n_s_per_m(self) -> Floats:
        """Critical damping of each corner at the wheel, (4,)."""
        critical: Floats = 2.0 * np.sqrt(self.rate_n_per_m * self.carried_kg)
        return critical


class Loading:
    """A car's steady states, by the plant's own balance: load transfer, anti-dive, stops and wheel lift included.

    Args:
        car: the car.
        gas: gas springs of front and rear damper.

    Attributes:
        free: the car without stops.

    """

    def __init__(self, car: Car, gas: tuple[Gas, Gas]) -> None:
        from dashpot.plant.chassis import Plant
        from dashpot.plant.damper import Damper

        self.car = car
        self.gas = gas
        self._found: dict[tuple[float, float, float], Loaded] = {}
        front, rear = (replace(axle, bump_stop=None, droop_stop=None) for axle in car.axles)
        self.free = replace(car, front=front, rear=rear)
        # At rest a damper gives only its gas force.
        self._plant = Plant(car, [Damper.linear(1.0, gas=one) for one in gas], step_s=_SHORT_S)

    def at(self, accel_long_m_s2: float = 0.0, accel_lat_m_s2: float = 0.0, speed_m_s: float = 0.0) -> Loaded:
        """Return the steady state.

        Raises:
            InputError: there is none, the car turns over.

        """
        key = (accel_long_m_s2, accel_lat_m_s2, speed_m_s)
        if key not in self._found:
            self._found[key] = self._balance(*key)
        return self._found[key]

    def _balance(self, accel_long_m_s2: float, accel_lat_m_s2: float, speed_m_s: float) -> Loaded:
        from dashpot.plant.chassis import Inputs

        car = self.car
        inputs = Inputs.of(1, 0.0, accel_long_m_s2, accel_lat_m_s2, speed_m_s)
        q = self._plant.rest(inputs).y[:7]
        wheel = q[3:] - (q[0] + car.corner_y_m * q[1] - car.corner_x_m * q[2])
        stiff = car.each_wheel([axle.tyre_n_per_m for axle in car.axles])
        tyre = np.maximum(car.corner_load_n - stiff * q[3:], 0.0)
        unsprung = car.each_wheel([axle.wheel_mass_kg for axle in car.axles])
        rest = car.corner_sprung_n / GRAVITY_M_S2
        carried = np.maximum(tyre / GRAVITY_M_S2 - unsprung, LEAST_CARRIED * rest)
        ratio = np.array([float(car.axles[c // 2].motion_ratio.at(wheel[c])) for c in range(4)])
        return Loaded(
            accel_long_m_s2, accel_lat_m_s2, speed_m_s, tyre, wheel, carried, self._rates(wheel), ratio
        )

    def gas_terms(self) -> dict[str, list[float]]:
        """Return what the linear car wants to know of the gas."""
        return {
            "gas_n_per_m": [gas.rate_n_per_m for gas in self.gas],
            "gas_n": [gas.force_n for gas in self.gas],
        }

    def _rates(self, wheel_m: Floats) -> Floats:
        """Return MR^2 k with what a changing ratio adds, as the linear car has it, without bar, tyre and stops."""
        from dashpot.plant.chassis import linear

        system = linear(self.free, (0.0, 0.0), wheel_m=wheel_m, **self.gas_terms())
        others = self.car.each_wheel([axle.tyre_n_per_m + axle.bar_n_per_m for axle in self.car.axles])
        rates: Floats = np.diag(system.stiffness)[3:] - others
        return rates


@dataclass(frozen=True, slots=True)
class Corner:
    """A corner at rest, the numbers that a damper is chosen by.

    Attributes:
        sprung_kg: sprung mass on it.
        wheel_rate_n_per_m: MR^2 k.
        ride_rate_n_per_m: the same in series with the tyre.
        body_hz: of the sprung mass on the wheel rate.
        ride_hz: of the sprung mass on the ride rate.
        wheel_hz: of the wheel between tyre and spring.
        critical_n_s_per_m: at the wheel.
        damper_critical_n_s_per_m: at the damper, over MR^2.

    """

    sprung_kg: float
    wheel_rate_n_per_m: float
    ride_rate_n_per_m: float
    body_hz: float
    ride_hz: float
    wheel_hz: float
    critical_n_s_per_m: float
    damper_critical_n_s_per_m: float

    @classmethod
    def of(cls, sprung_kg: float, wheel_rate: float, tyre: float, wheel_kg: float, ratio: float) -> Corner:
        """Compute them from the sprung mass, the wheel rate, the tyre, the wheel's mass and the damper's motion ratio."""
        ride = wheel_rate * tyre / (wheel_rate + tyre)
        critical = 2.0 * math.sqrt(wheel_rate * sprung_kg)
        return cls(
            sprung_kg,
            wheel_rate,
            ride,
            math.sqrt(wheel_rate / sprung_kg) / (2.0 * math.pi),
            math.sqrt(ride / sprung_kg) / (2.0 * math.pi),
            math.sqrt((wheel_rate + tyre) / wheel_kg) / (2.0 * math.pi),
            critical,
            critical / ratio**2,
        )


def corners_of(car: Car, rest: Loaded) -> tuple[Corner, Corner]:
    """Return front and rear corner of a car at rest."""
    front, rear = (
        Corner.of(
            float(rest.carried_kg[2 * i]),
            float(rest.rate_n_per_m[2 * i]),
            axle.tyre_n_per_m,
            axle.wheel_mass_kg,
            float(rest.ratio[2 * i]),
        )
        for i, axle in enumerate(car.axles)
    )
    return front, rear
