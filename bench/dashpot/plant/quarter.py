"""The quarter car: closed forms and transfer functions that the full car is held to and that a calibration starts from.

ms zs'' = -F, mu zu'' = F - kt (zu - zr), F = ks (zs - zu) + c (zs' - zu'); the tyre has no damping.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Car, Floats


@dataclass(frozen=True, slots=True)
class Response:
    """Root-mean-square values on a road of white vertical velocity.

    Attributes:
        travel_m: of the suspension.
        accel_m_s2: of the body.
        damper_m_s: of the damper's speed at the wheel.
        tyre_n: of the change of the tyre's load.
        power_w: mean power that the damper takes.

    """

    travel_m: float
    accel_m_s2: float
    damper_m_s: float
    tyre_n: float
    power_w: float


@dataclass(frozen=True, slots=True)
class QuarterCar:
    """One corner, stiffness and damping at the wheel."""

    body_kg: float
    wheel_kg: float
    spring_n_per_m: float
    damping_n_s_per_m: float
    tyre_n_per_m: float

    @classmethod
    def of_corner(cls, car: Car, corner: int, damping_n_s_per_m: float) -> QuarterCar:
        """Take a corner of a car; the damping is the damper's, and the bar is left out as in heave."""
        axle = car.axles[corner // 2]
        ratio = float(axle.motion_ratio.at(0.0))
        return cls(
            car.axle_sprung_kg[corner // 2] / 2.0,
            axle.wheel_mass_kg,
            axle.wheel_rate_n_per_m(),
            ratio**2 * damping_n_s_per_m,
            axle.tyre_n_per_m,
        )

    @property
    def damping_ratio(self) -> float:
        """Of the body alone on its spring, c / (2 sqrt(k m))."""
        return self.damping_n_s_per_m / (2.0 * math.sqrt(self.spring_n_per_m * self.body_kg))

    def state_space(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Return A, B, C, D from road velocity.

        States: suspension extension zs - zu, body rate, tyre extension zu - zr, wheel rate. Outputs: extension, body
        acceleration, extension rate, change of tyre load.
        """
        ms, mu, ks, c, kt = astuple(self)
        a = np.array(
            [
                [0.0, 1.0, 0.0, -1.0],
                [-ks / ms, -c / ms, 0.0, c / ms],
                [0.0, 0.0, 0.0, 1.0],
                [ks / mu, c / mu, -kt / mu, -c / mu],
            ]
        )
        b = np.array([[0.0], [0.0], [-1.0], [0.0]])
        out = np.array([[1.0, 0.0, 0.0, 0.0], a[1], [0.0, 1.0, 0.0, -1.0], [0.0, 0.0, -kt, 0.0]])
        return a, b, out, np.zeros((4, 1))

    def modes(self) -> tuple[Floats, Floats]:
        """Return |eigenvalue| / 2 pi in hertz and damping ratio of both modes."""
        poles = np.linalg.eigvals(self.state_space()[0])
        upper = poles[poles.imag >= 0.0]
        upper = upper[np.argsort(np.abs(upper))]
        return np.abs(upper) / (2.0 * math.pi), -upper.real / np.abs(upper)

    def body_gain(self, hz: Floats | float) -> NDArray[np.complex128]:
        """Return zs/zr."""
        _, stiff, whole = self._terms(hz)
        ratio: NDArray[np.complex128] = self.tyre_n_per_m * stiff / whole
        return ratio

    def travel_gain(self, hz: Floats | float) -> NDArray[np.complex128]:
        """Return (zs - zu)/zr."""
        s, _, whole = self._terms(hz)
        ratio: NDArray[np.complex128] = -self.tyre_n_per_m * self.body_kg * s**2 / whole
        return ratio

    def _terms(
        self, hz: Floats | float
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
        s = np.asarray(2j * math.pi * np.asarray(hz))
        stiff = self.spring_n_per_m + self.damping_n_s_per_m * s
        wheel = self.wheel_kg * s**2 + stiff + self.tyre_n_per_m
        return s, stiff, (self.body_kg * s**2 + stiff) * wheel - stiff**2

    def on_white_velocity(self, intensity: float) -> Response:
        """Return the closed forms for a road velocity of two-sided intensity W in m2/s.

        Derived from the Lyapunov equation of the system; the family: Gobbi and Mastinu 2001,
        doi 10.1006/jsvi.2001.3591 [S].
        """
        ms, mu, ks, c, kt = astuple(self)
        both = ms + mu
        deflection2 = (
            intensity
            / (2.0 * c)
            * (
                c**2 * both**2 / (kt * ms**2)
                + ks**2 * both**3 / (kt**2 * ms**2)
                - 2.0 * ks * mu * both / (kt * ms)
                + mu
            )
        )
        return Response(
            travel_m=math.sqrt(intensity * both / (2.0 * c)),
            accel_m_s2=math.sqrt(intensity * (c**2 * kt + ks**2 * both) / (2.0 * c * ms**2)),
            damper_m_s=math.sqrt(intensity * kt / (2.0 * c)),
            tyre_n=kt * math.sqrt(deflection2),
            power_w=kt * intensity / 2.0,
        )


def road_intensity(roughness_m3: float, speed_m_s: float, reference_per_m: float = 0.1) -> float:
    """Return the two-sided intensity W = 2 pi^2 n0^2 Gd(n0) V of the road's vertical velocity, in m2/s."""
    return 2.0 * math.pi**2 * reference_per_m**2 * roughness_m3 * speed_m_s


def transmissibility(frequency_ratio: Floats | float, damping_ratio: float) -> Floats:
    """Return |zs/zr| of one degree of freedom at multiples of its natural frequency."""
    r = np.asarray(frequency_ratio, dtype=np.float64)
    damped = (2.0 * damping_ratio * r) ** 2
    gain: Floats = np.sqrt((1.0 + damped) / ((1.0 - r**2) ** 2 + damped))
    return gain


def skyhook_transmissibility(frequency_ratio: Floats | float, damping_ratio: float) -> Floats:
    """Return |zs/zr| of one degree of freedom whose damper hangs from the sky."""
    r = np.asarray(frequency_ratio, dtype=np.float64)
    gain: Floats = 1.0 / np.sqrt((1.0 - r**2) ** 2 + (2.0 * damping_ratio * r) ** 2)
    return gain
