"""The control laws as one would first write them for MicroPython: floats, lists, one function a law.

Part of the baseline of tools/bench_replay.py, see tools/baseline_replay.py; runs in `micropython`, reads a line of
values a tick from standard input and writes a line of currents and demands. The numbers are those of the demo's
calibration.toml, in SI units and per mille; the laws are those of the firmware, without its checks of validity.
"""

import sys

PERIOD = 0.002
CORNERS = (0, 1, 2, 3)
LATERAL: list[float] = [-1.4, -0.7, 0.0, 0.7, 1.4]
LONGITUDINAL: list[float] = [-1.4, -0.7, 0.0, 0.7]
FRONT_LEFT: list[list[float]] = [
    [350, 300, 240, 180],
    [260, 200, 130, 80],
    [200, 110, 0, -40],
    [120, 50, -20, -60],
    [80, 20, -40, -80],
]
REAR_LEFT: list[list[float]] = [
    [160, 200, 260, 330],
    [60, 100, 140, 220],
    [-60, -30, 0, 140],
    [-80, -50, -20, 60],
    [-90, -60, -40, 20],
]
BODY_LOAD = [FRONT_LEFT, FRONT_LEFT[::-1], REAR_LEFT, REAR_LEFT[::-1]]
BASE: list[tuple[list[float], list[float]]] = [([0, 1, 2], [240, 320, 400]), ([0, 1, 2], [220, 300, 380])]
BRAKE: list[tuple[list[float], list[float]]] = [
    ([0, 5, 15, 40], [0, 20, 70, 120]),
    ([0, 5, 15, 40], [0, 10, 30, 50]),
]
BRAKE_GAIN = [0.12, 0.05]
BRAKE_PEAK = [150, 60]
STEER_GAIN = [[0.40, 0.10], [0.28, 0.08]]  # outer, inner
SPEED: list[tuple[list[float], list[float]]] = [
    ([0, 60, 140, 250], [-60, 0, 40, 90]),
    ([0, 60, 140, 250], [-60, 0, 50, 110]),
]
TRIM = [[[40, 0, -60], [60, 20, -30]], [[30, 0, -50], [50, 20, -20]]]
TRIM_ROUGH = [[[20, -120, -200], [30, -100, -160]], [[10, -100, -180], [20, -80, -140]]]
ASK_STEER: tuple[list[float], list[float]] = ([40, 80, 160], [90, 45, 25])
END = [[(43, 55, 950), (48, 60, 700)], [(46, 58, 950), (48, 60, 700)]]
VALVE: list[tuple[list[float], list[float]]] = [
    ([0, 200, 500, 800, 1000], [320, 560, 900, 1280, 1600]),
    ([0, 200, 500, 800, 1000], [300, 530, 880, 1260, 1580]),
]
STROKE_ALPHA, STROKE_BETA = 0.4, 0.1
STEER_ALPHA, STEER_BETA = 0.5, 0.5 * 0.5 / 1.5


def look_up(table: tuple[list[float], list[float]], x: float) -> float:
    """Interpolate in a table that holds at its edges."""
    xs, ys = table
    if x <= xs[0]:
        return ys[0]
    for i in range(1, len(xs)):
        if x < xs[i]:
            return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[-1]


def place(axis: list[float], x: float) -> tuple[int, float]:
    """Find the cell of an axis and how far into it a value is."""
    if x <= axis[0]:
        return 0, 0.0
    for i in range(1, len(axis)):
        if x < axis[i]:
            return i - 1, (x - axis[i - 1]) / (axis[i] - axis[i - 1])
    return len(axis) - 2, 1.0


def ramp(x: float, low: float, high: float) -> float:
    """Rise from 0 at `low` to 1 at `high`."""
    return min(max((x - low) / (high - low), 0.0), 1.0)


class Tracker:
    """An alpha-beta filter."""

    def __init__(self, alpha: float, beta: float) -> None:
        self.alpha, self.beta = alpha, beta
        self.x = 0.0
        self.begun = False
        self.v = 0.0
        self.since = 1

    def update(self, value: float, fresh: float) -> float:
        """Take one tick's value, if it is a new one, and return the speed."""
        if not self.begun:
            self.x, self.begun = value, True
            return 0.0
        self.x += self.v * PERIOD
        if fresh:
            residual = value - self.x
            self.x += self.alpha * residual
            self.v += self.beta * residual / (PERIOD * self.since)
            self.since = 1
        else:
            self.since += 1
        return self.v


class Controller:
    """All laws and their memory."""

    def __init__(self) -> None:
        self.lateral = self.longitudinal = self.brake_slow = 0.0
        self.trackers = [Tracker(STROKE_ALPHA, STROKE_BETA) for _ in CORNERS]
        self.steer = Tracker(STEER_ALPHA, STEER_BETA)
        self.brake = Tracker(STEER_ALPHA, STEER_BETA)
        self.brake_lead = [0.0, 0.0]
        self.steer_lead = [0.0, 0.0, 0.0, 0.0]
        self.rough = [0.0, 0.0]
        self.event = 0.0
        self.peak = 0.0
        self.low_run = self.high_run = 0
        self.is_wet = False
        self.wet = 0.0
        self.current = [800.0, 800.0, 800.0, 800.0]
        self.authority = 0.0

    def tick(
        self, lateral: float, longitudinal: float, brake: float, steer: float, speed: float, strokes: list[float],
        driver: float, grip: float, fresh: list[float],
    ) -> tuple[list[float], list[float]]:  # fmt: skip
        """Run one tick and return currents and demands of the corners."""
        self.lateral += (lateral - self.lateral) * 0.1175
        self.longitudinal += (longitudinal - self.longitudinal) * 0.1175
        self.brake_slow += (brake - self.brake_slow) * 0.004988
        steer_rate = self.steer.update(steer, fresh[0])
        brake_rate = self.brake.update(brake, fresh[1])
        speeds = [self.trackers[i].update(strokes[i], fresh[2]) for i in CORNERS]
        layers = [[0.0] * 4 for _ in range(8)]
        self.lead(layers, brake, brake_rate, steer_rate, speed, driver)
        self.judge_grip(brake, steer, speed, grip)
        demand = self.add_up(layers, brake, speeds, strokes)
        self.authority = min(self.authority + PERIOD / 2.0, 1.0)
        for i in CORNERS:
            target = look_up(VALVE[i // 2], demand[i])
            target = 800.0 + (target - 800.0) * self.authority
            target = min(max(target, 300.0), 1600.0)
            self.current[i] += min(max(target - self.current[i], -120.0), 160.0)
        return self.current, demand

    def lead(
        self, layers: list[list[float]], brake: float, brake_rate: float, steer_rate: float, speed: float, driver: float
    ) -> None:  # fmt: skip
        """Fill base, body load, both leads and the road-speed trim."""
        ix, wx = place(LATERAL, self.lateral)
        iy, wy = place(LONGITUDINAL, self.longitudinal)
        fade = ramp(speed, 20.0, 35.0)
        over = max(abs(steer_rate) - 40.0, 0.0)
        for axle in (0, 1):
            wanted = (
                look_up(BRAKE[axle], brake - self.brake_slow) + max(brake_rate - 60.0, 0.0) * BRAKE_GAIN[axle]
            )
            wanted = min(wanted, BRAKE_PEAK[axle])
            self.brake_lead[axle] = max(self.brake_lead[axle] * 0.98895, wanted)
        for i in CORNERS:
            axle = i // 2
            z = BODY_LOAD[i]
            near = z[ix][iy] + (z[ix + 1][iy] - z[ix][iy]) * wx
            far = z[ix][iy + 1] + (z[ix + 1][iy + 1] - z[ix][iy + 1]) * wx
            inside = (steer_rate >= 0) == (i % 2 == 0)
            wanted = min(over * STEER_GAIN[axle][1 if inside else 0], 120.0) * fade
            self.steer_lead[i] = max(self.steer_lead[i] * 0.98758, wanted)
            layers[0][i] = look_up(BASE[axle], driver)
            layers[1][i] = near + (far - near) * wy
            layers[2][i] = self.brake_lead[axle]
            layers[3][i] = self.steer_lead[i]
            layers[4][i] = look_up(SPEED[axle], speed)

    def judge_grip(self, brake: float, steer: float, speed: float, switch: float) -> None:
        """Weigh the evidence for a wet road."""
        if brake >= 30.0 or abs(steer) >= look_up(ASK_STEER, speed):
            self.event += PERIOD
            if self.event > 0.3:
                square = self.lateral**2 + self.longitudinal**2
                self.peak += (square - self.peak) * (0.0328 if square > self.peak else 0.001)
        elif self.event:
            if self.event >= 0.8:
                if self.peak < (0.70 * 1.3) ** 2:
                    self.low_run, self.high_run = self.low_run + 1, 0
                elif self.peak > (0.85 * 1.3) ** 2:
                    self.low_run, self.high_run = 0, self.high_run + 1
            self.event = self.peak = 0.0
        if self.low_run >= 3:
            self.is_wet = True
        elif self.high_run >= 3:
            self.is_wet = False
        wet = switch == 2 or (switch != 1 and self.is_wet)
        self.wet = min(max(self.wet + (PERIOD if wet else -PERIOD) / 6.0, 0.0), 1.0)

    def add_up(
        self, layers: list[list[float]], brake: float, speeds: list[float], strokes: list[float]
    ) -> list[float]:
        """Add trims, grip and the ends of the stroke, and return the demands."""
        demand = [0.0] * 4
        for axle in (0, 1):
            mean = (abs(speeds[2 * axle]) + abs(speeds[2 * axle + 1])) / 2
            self.rough[axle] += (mean - self.rough[axle]) * 0.01653
        for i in CORNERS:
            axle = i // 2
            direction = 0 if speeds[i] >= 0 else 1
            fast = abs(speeds[i])
            upper, top = ramp(fast, 35.8, 65.8), ramp(fast, 137.4, 167.4)
            trims = []
            for table in (TRIM, TRIM_ROUGH):
                low, medium, high = table[axle][direction]
                trims.append(low + (medium - low) * upper + (high - medium) * top)
            rough = ramp(self.rough[axle], 60.0, 140.0) * ramp(brake, 8.0, 25.0)
            trim = trims[0] + (trims[1] - trims[0]) * rough
            layers[5][i] = trim
            firm = sum(layers[k][i] for k in range(5))
            layers[6][i] = -firm * 0.3 * self.wet if firm > 0 else 0.0
            firm += layers[6][i] + trim
            if fast >= 30.0:
                start, stop, peak = END[axle][direction]
                where = (-strokes[i] if direction else strokes[i]) + fast * 0.008
                part = ramp(where, start, stop)
                part += (part * part - part) * 0.5
                if part > 0:
                    layers[7][i] = max(part * peak - firm, 0.0)
                    firm += layers[7][i]
            demand[i] = min(max(firm, 50.0), 1000.0)
        return demand


def main() -> None:
    """Answer every line of values with a line of currents and demands."""
    controller = Controller()
    while True:
        line = sys.stdin.readline()
        if not line:
            return
        v = [float(text) for text in line.split()]
        current, demand = controller.tick(v[0], v[1], v[2], v[3], v[4], v[5:9], v[9], v[10], v[11:14])
        print(" ".join(f"{x:.1f}" for x in current + demand))


if __name__ == "__main__":
    main()
