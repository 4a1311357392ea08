"""The plant a second time, slowly: scipy's interpolators and its ODE solver, written apart from the compiled loop.

It holds the compiled loop to account (tests) and is what its speed is compared with (tools/bench_plant.py). Coil
and valve are solved in continuous time here, so the difference holds the error of their steps too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline, PchipInterpolator

from dashpot.plant.car import GRAVITY_M_S2
from dashpot.plant.damper import FRICTION_SPEED_M_S, LINEAR

if TYPE_CHECKING:
    from collections.abc import Callable

    from dashpot.plant.car import Car, Floats
    from dashpot.plant.chassis import Inputs
    from dashpot.plant.coil import Coil
    from dashpot.plant.damper import Damper, Surface


def surface_force(surface: Surface) -> Callable[[float, float], float]:
    """Return f(speed, current) of one direction, by scipy's interpolators."""
    last = surface.speed_m_s[-1]
    rows: list[Any] = []
    for forces in surface.force_n:
        if surface.shape == LINEAR or len(forces) == 2:
            last_slope = (forces[-1] - forces[-2]) / (last - surface.speed_m_s[-2])

            def straight(
                speed: float, forces: tuple[float, ...] = forces, last_slope: float = last_slope
            ) -> float:
                return float(np.interp(speed, surface.speed_m_s, forces)) + last_slope * max(
                    speed - last, 0.0
                )

            rows.append(straight)
            continue
        curve = PchipInterpolator(surface.speed_m_s, forces)
        slope = float(curve(last, 1))

        def of(speed: float, curve: Any = curve, slope: float = slope) -> float:
            return float(curve(min(speed, last))) + slope * max(speed - last, 0.0)

        rows.append(of)

    def force(speed: float, current: float) -> float:
        return float(np.interp(current, surface.current_a, [float(row(speed)) for row in rows]))

    return force


@dataclass(frozen=True, slots=True)
class Answer:
    """The reference's answer at the wanted times: `y` as the plant's state (n, 18), valve currents (n, 4)."""

    y: Floats
    valve_a: Floats


class Reference:
    """The same car, dampers and coils as a `Plant`; one front and one rear damper, commands held for a time."""

    def __init__(self, car: Car, dampers: tuple[Damper, Damper], coil: Coil) -> None:
        self.car = car
        self.dampers = dampers
        self.coil = coil
        self.surfaces = [(surface_force(d.compression), surface_force(d.rebound)) for d in dampers]
        axles = car.axles
        sprung = car.corner_sprung_n
        self.preload_n = [
            (sprung[2 * i] - float(axles[i].motion_ratio.at(0.0)) * dampers[i].gas.force_n)
            / float(axles[i].ratio_of_spring.at(0.0))
            for i in range(2)
        ]

    def derivative(self, y: Floats, road: Floats, rate: Floats, drive: Floats, valve_a: Floats) -> Floats:
        """Return the derivative of positions, rates and valve speeds, (18,)."""
        car = self.car
        q, v, lagged = y[:7], y[7:14], y[14:18]
        x, side = car.corner_x_m, car.corner_y_m
        accel_long, accel_lat, speed = drive
        travel = q[3:] - (q[0] + side * q[1] - x * q[2])
        travel_rate = v[3:] - (v[0] + side * v[1] - x * v[2])
        pushed_n = car.mass_kg * accel_long + 0.5 * car.aero.air_density_kg_m3 * car.aero.drag_m2 * speed**2
        transfer_n = pushed_n * car.height_m / car.wheelbase_m
        held, links, lagged_rate = np.zeros(4), np.zeros(4), np.zeros(4)
        wheel_own, downforce = np.zeros(4), np.zeros(4)
        pressure = 0.5 * car.aero.air_density_kg_m3 * speed**2
        for c in range(4):
            index = c // 2
            axle, damper = car.axles[index], self.dampers[index]
            w, w_rate = travel[c], travel_rate[c]
            ratio, stroke = float(axle.motion_ratio.at(w)), float(axle.motion_ratio.stroke_m(w))
            spring = axle.ratio_of_spring
            stroke_speed = ratio * w_rate
            seen = stroke_speed
            if damper.lag_s:
                seen = lagged[c]
                lagged_rate[c] = (stroke_speed - seen) / damper.lag_s
            push, pull = self.surfaces[index]
            force = push(seen, valve_a[c]) if seen >= 0.0 else -pull(-seen, valve_a[c])
            force += float(damper.friction_at(stroke_speed)) + float(damper.gas.at(stroke))
            if axle.bump_stop:
                force += float(axle.bump_stop.force_n(stroke))
            if axle.droop_stop:
                force -= float(axle.droop_stop.force_n(-stroke))
            spring_n = self.preload_n[index] + axle.spring_n_per_m * float(spring.stroke_m(w))
            held[c] = float(spring.at(w)) * spring_n + ratio * force
            held[c] += axle.bar_n_per_m * (w - travel[c ^ 1])
            held[c] += axle.friction_n * w_rate / np.hypot(w_rate, FRICTION_SPEED_M_S)
            # The outer wheel is the right one in a left turn, which is positive.
            outward = -1.0 if c % 2 == 0 else 1.0
            links[c] = outward * car.axle_sprung_kg[index] * accel_lat * axle.roll_centre_m / axle.track_m
            anti = axle.anti_brake if pushed_n < 0.0 else axle.anti_drive
            links[c] += anti * transfer_n / 2.0 * (-1.0 if index == 0 else 1.0)
            wheel_own[c] = outward * axle.unsprung_mass_kg * accel_lat * axle.wheel_height_m / axle.track_m
            area = car.aero.downforce_front_m2 if index == 0 else car.aero.downforce_rear_m2
            downforce[c] = pressure * area / 2.0
        tyre_rate = car.each_wheel([axle.tyre_n_per_m for axle in car.axles])
        tyre_damping = car.each_wheel([axle.tyre_damping_n_s_per_m for axle in car.axles])
        wheel_mass = car.each_wheel([axle.wheel_mass_kg for axle in car.axles])
        tyre = np.maximum(car.corner_load_n + tyre_rate * (road - q[3:]) + tyre_damping * (rate - v[3:]), 0.0)
        on_body = held + links - downforce
        body_mass = car.sprung_mass_kg
        roll_n_m = (side * on_body).sum() + body_mass * (
            accel_lat * car.sprung_height_m + GRAVITY_M_S2 * car.roll_arm_m * q[1]
        )
        pitch_n_m = -(x * on_body).sum() - car.mass_kg * car.height_m * accel_long
        accel = np.concatenate(
            (
                [
                    on_body.sum() / body_mass - GRAVITY_M_S2,
                    roll_n_m / car.roll_inertia_kg_m2,
                    pitch_n_m / car.pitch_inertia_kg_m2,
                ],
                (tyre - held - links - wheel_own) / wheel_mass - GRAVITY_M_S2,
            )
        )
        return np.concatenate((v, accel, lagged_rate))

    def simulate(
        self,
        start: Floats,
        commands_a: Floats,
        hold_s: float,
        inputs: Inputs,
        step_s: float,
        wanted_s: Floats,
        **solver: Any,
    ) -> Answer:
        """Solve from a state (18,) with all currents 0, inputs smooth between their rows (splines).

        Args:
            start: positions, rates, valve speeds.
            commands_a: wanted currents, (m, 4), each for `hold_s`.
            hold_s: see there.
            inputs: on a grid of `step_s`.
            step_s: see there.
            wanted_s: rising times of the answer.
            solver: arguments of scipy's solve_ivp.

        """
        grid = np.arange(len(inputs.road_m)) * step_s
        roads = CubicSpline(grid, inputs.road_m)
        rates = roads.derivative()
        drives = CubicSpline(grid, inputs.drive)
        # Coil currents on a fine grid, exact at its points.
        fine = np.arange(0.0, wanted_s[-1] + 1e-4, 1e-4)
        coil = np.zeros((len(fine), 4))
        for k in range(1, len(fine)):
            command = commands_a[min(int(fine[k - 1] / hold_s + 1e-9), len(commands_a) - 1)]
            coil[k] = [self.coil.after(a, b, 1e-4) for a, b in zip(coil[k - 1], command, strict=True)]
        valves = [self.dampers[c // 2].valve for c in range(4)]

        def whole(time: float, state: Floats) -> Floats:
            y, valve_a = state[:18], state[18:]
            moved = np.zeros(4)
            used = valve_a.copy()
            for c, valve in enumerate(valves):
                aim = float(np.interp(time - valve.dead_s, fine, coil[:, c], left=0.0))
                lag = valve.rise_s if aim > valve_a[c] else valve.fall_s
                if lag > 0.0:
                    moved[c] = (aim - valve_a[c]) / lag
                else:
                    used[c] = aim
            return np.concatenate((self.derivative(y, roads(time), rates(time), drives(time), used), moved))

        solver = {"method": "DOP853", "rtol": 1e-7, "atol": 1e-9, "max_step": 0.005} | solver
        found = solve_ivp(
            whole, (0.0, wanted_s[-1]), np.concatenate((start, np.zeros(4))), t_eval=wanted_s, **solver
        )
        states: Floats = found.y.T
        return Answer(states[:, :18], states[:, 18:])
