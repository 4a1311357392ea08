"""`dashpot simulate`: the log says what the truth was, and the closed loop is what a replay of its log says.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import can
import cantools
import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pytest
from cantools.database import Database

from dashpot import runs
from dashpot.cli import main
from dashpot.errors import FirmwareError, InputError
from dashpot.layout import Layout
from dashpot.logs.candump import write_candump
from dashpot.logs.frames import split_block
from dashpot.plant import closed_loop, kernel
from dashpot.plant import simulate as simulation
from dashpot.plant.board_coils import BoardCoils, board_coils
from dashpot.plant.canbus import START_US
from dashpot.plant.coil import Coil
from dashpot.plant.merlin_bus import MESSAGES
from dashpot.plant.scenario import demo_scenario, demo_scenario_path
from dashpot.plant.sensors import MOTION_SIGNALS
from dashpot.plant.simulate import Job, Loop, simulate
from dashpot.plant.world import World, signed
from dashpot.replay import job as replay_job
from dashpot.resources import dbc_dir, demo_dir, firmware_dir
from dashpot.runs import open_run

if TYPE_CHECKING:
    from collections.abc import Callable

DATA = demo_dir() / "data"
SCENARIO = demo_scenario_path("lane_change")
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
# More than two chunks of ticks, and no whole number of them.
LENGTH_S = 4.3
LOOP = Loop(firmware_dir(), DATA / "vehicle.toml", DATA / "calibration.toml", (dbc_dir() / "merlin_t4.dbc",))


def truth(path: Path) -> dict[str, Any]:
    with pa.memory_map(str(path)) as mapped:
        table = pa.ipc.open_file(mapped).read_all()
    return {name: table[name].to_numpy() for name in table.column_names}


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("closed")
    job = Job(SCENARIO, folder / "lane.log", LOOP, duration_s=LENGTH_S, other_load=0.2)
    return job, simulate(job, 0.0)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("open")
    job = Job(SCENARIO, folder / "lane.log", held_a=(0.9, 0.7), duration_s=LENGTH_S)
    return job, simulate(job, 0.0)


def replayed(job: Job, out: Path, loop: Loop = LOOP) -> None:
    replay_job.run_job(
        replay_job.Job(
            log=job.log, out=out, firmware=loop.firmware, vehicle=loop.vehicle, calibration=loop.calibration,
            dbc=loop.dbc, start_us=loop.start_us,
        ),
        0.0,
    )  # fmt: skip


# The loop


def test_a_replay_of_the_log_is_the_loop_bit_for_bit(
    closed: tuple[Job, dict[str, Any]], tmp_path: Path
) -> None:
    job, _ = closed
    replayed(job, tmp_path / "run")
    for name in (runs.TICKS, runs.MANIFEST, runs.IMAGE, runs.LAYOUT):
        assert (tmp_path / "run" / name).read_bytes() == (job.run / name).read_bytes(), name
    run = open_run(job.run)
    run.verify()
    assert run.ticks == round(LENGTH_S * 500) + 1
    # The firmware was not asleep: the lane change moves the currents of both sides apart.
    left, right = run["current_ma.front_left"], run["current_ma.front_right"]
    assert np.ptp(left) > 200
    assert np.abs(left.astype(int) - right).max() > 100
    assert (run["faults"][-100:] == 0).all()


def test_a_replay_of_another_car_on_the_same_drive_differs(
    closed: tuple[Job, dict[str, Any]], tmp_path: Path
) -> None:
    # The negative control: the same scenario with held currents is another motion, and the firmware sees that.
    job, _ = closed
    held = Job(SCENARIO, tmp_path / "held.log", held_a=(0.0, 0.0), duration_s=LENGTH_S)
    simulate(held, 0.0)
    replayed(held, tmp_path / "run")
    assert (tmp_path / "run" / runs.TICKS).read_bytes() != (job.run / runs.TICKS).read_bytes()


def test_the_valves_get_the_current_that_the_firmware_measures(closed: tuple[Job, dict[str, Any]]) -> None:
    job, said = closed
    assert said["coil"] == "board"
    run, true = open_run(job.run), truth(job.truth)
    assert (run.log_us == true["log_us"]).all()
    for corner in CORNERS:
        measured, flowed = run[f"measured_ma.{corner}"], 1000.0 * true[f"coil_current_a.{corner}"]
        assert np.ptp(measured) > 300
        # The board rounds down to whole milliampere and takes exp() from an approximant good to 0.1 % [X].
        assert np.abs(flowed - measured).max() < 3.0
        # The valve's dead time and lag come after the coil: its current is never ahead.
        assert np.abs(true[f"valve_current_a.{corner}"] - true[f"coil_current_a.{corner}"]).max() > 0.02


def test_the_boards_coils_are_exponentials() -> None:
    # [X] L di/dt = V - R i with V = d (U + Ud) - Ud: 2 ohm, 10 mH, 12 V, 0.7 V.
    coils = BoardCoils(12.0, 0.7, np.full(4, 2.0), np.full(4, np.exp(-0.0005 * 2.0 / 10e-3)), 4)
    duty = np.array([16384, 8192, 0, 0], np.int32)
    rows = [coils.run(duty) for _ in range(3)]
    time_s = 0.0005 * np.arange(1, 13)
    volts = np.array([12.0, 0.5 * 12.7 - 0.7, 0.0, 0.0])
    expected = volts / 2.0 * (1.0 - np.exp(-time_s[:, None] * 200.0))
    assert np.concatenate(rows) == pytest.approx(expected, abs=1e-12)
    # Without a duty the current dies down against the diode and stays at 0.
    falling = np.concatenate([coils.run(np.zeros(4, np.int32)) for _ in range(40)])
    assert (np.diff(falling[:, 0]) <= 0.0).all()
    assert (falling[-1] == 0.0).all()


def test_without_current_control_the_valves_own_coils_follow(tmp_path: Path) -> None:
    text = (DATA / "calibration.toml").read_text()
    text, count = re.subn(r"\[current_control\]\nenabled = true", "[current_control]\nenabled = false", text)
    assert count == 1
    calibration = tmp_path / "calibration.toml"
    calibration.write_text(text)
    job = Job(SCENARIO, tmp_path / "own.log", replace(LOOP, calibration=calibration), duration_s=3.0)
    said = simulate(job, 0.0)
    assert said["coil"] == "valve"
    run, true = open_run(job.run), truth(job.truth)
    scenario = demo_scenario("lane_change")
    world = World(scenario, duration_s=0.1)
    for axle, corner in ((0, "front_right"), (1, "rear_left")):
        coil = world.valves[axle].coil(scenario.coil_c)
        wanted = run[f"current_ma.{corner}"] / 1000.0
        assert np.ptp(wanted) > 0.05
        current, expected = 0.0, [0.0]
        for amps in wanted[:-1]:
            current = coil.after(current, float(amps), 0.002)
            expected.append(current)
        assert true[f"coil_current_a.{corner}"] == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("start_us", [(1 << 30) - 1_000_000])
def test_the_controllers_clock_may_wrap_in_the_loop(
    closed: tuple[Job, dict[str, Any]], tmp_path: Path, start_us: int
) -> None:
    loop = replace(LOOP, start_us=start_us)
    job = Job(SCENARIO, tmp_path / "wrap.log", loop, duration_s=2.0)
    simulate(job, 0.0)
    replayed(job, tmp_path / "run", loop)
    assert (tmp_path / "run" / runs.TICKS).read_bytes() == (job.run / runs.TICKS).read_bytes()
    plain = Job(SCENARIO, tmp_path / "plain.log", LOOP, duration_s=2.0)
    simulate(plain, 0.0)
    assert plain.log.read_bytes() == job.log.read_bytes()


def test_the_checked_target_gives_the_loop_of_the_interpreter(tmp_path: Path) -> None:
    jobs = [
        Job(SCENARIO, tmp_path / f"{target}.log", replace(LOOP, target=target), duration_s=0.3)
        for target in ("host", "cpython")
    ]
    for job in jobs:
        simulate(job, 0.0)
    one, other = ((job.run / runs.TICKS).read_bytes() for job in jobs)
    assert one == other
    assert jobs[0].log.read_bytes() == jobs[1].log.read_bytes()


def test_the_log_ends_with_its_last_frame(tmp_path: Path) -> None:
    # Frames of 20 ms alone: the last ticks get none, and a replay knows nothing of them.
    layout = Layout.load(firmware_dir())
    chunk = closed_loop.Chunk(layout, layout.trace_words, layout.sizes["frame"])
    frame = np.arange(layout.sizes["frame"], dtype=np.int32)
    reply = runs_reply(layout)
    for count in (1, 0, 2, 0, 0):
        block = chunk.block(5, 7, np.tile(frame, (count, 1)))
        assert block.lock_step
        assert block.ticks[0, :2].tolist() == [5, count]
        chunk.add(block, reply)
    whole, _ = chunk.whole()
    trimmed, replies = chunk.whole(end=True)
    assert (len(whole.ticks), len(trimmed.ticks), len(replies.trace)) == (5, 3, 3)
    assert len(whole.frames) == len(trimmed.frames) == 3
    chunk.clear()
    assert chunk.block(5, 7, frame[None]).first_tick == 5


def runs_reply(layout: Layout) -> Any:
    from dashpot.targets import RunReply

    return RunReply(np.zeros((1, layout.trace_words), np.int32), np.zeros(1, np.int32), 1, 2)


# The log and the truth


def test_every_signal_of_the_log_is_the_quantised_reading(tmp_path: Path) -> None:
    # Through python-can and cantools, against the sensors' readings at each sample's millisecond.
    scenario = demo_scenario("lane_change")
    world = World(scenario, duration_s=3.0, start_a=(0.8, 0.8))
    while world.tick < world.ticks:
        world.hold(0.8, 0.8, 50)
    path = tmp_path / "drive.log"
    write_candump(path, split_block(world.bus.frames()), ("can0",))
    known = signed(scenario.readings(world.drive))
    known |= {name: world.seen[:, column] for column, name in enumerate(MOTION_SIGNALS)}
    database = cantools.database.load_file(dbc_dir() / "merlin_t4.dbc", strict=True)
    assert isinstance(database, Database)
    message, sample_us = world.bus.samples_us()
    with can.LogReader(path) as reader:
        frames = list(reader)
    assert len(frames) == len(message) > 3000
    worst: dict[str, float] = {}
    for frame, place, at_us in zip(frames, message.tolist(), sample_us.tolist(), strict=True):
        own = MESSAGES[place]
        assert (frame.arbitration_id, frame.is_extended_id, frame.dlc) == (
            own.can_id,
            own.extended,
            own.length,
        )
        said = database.get_message_by_frame_id(frame.arbitration_id).decode(frame.data, decode_choices=False)
        row = min(max((at_us - world.first_us) // 1000, 0), len(world.seen) - 1)
        for signal in own.signals:
            if signal.name in said:
                value = signal.part_of(known[signal.reading][row : row + 1])[0]
                low, high = signal.bounds()
                count = min(max(round((float(value) - signal.offset) / signal.scale), low), high)
                error = abs(float(said[signal.name]) - (count * signal.scale + signal.offset))
                worst[signal.name] = max(worst.get(signal.name, 0.0), error)
    assert set(worst) == {signal.name for own in MESSAGES for signal in own.signals}
    assert max(worst.values()) < 1e-9, worst


def test_strokes_on_the_bus_are_those_of_the_truth_within_the_sensors_error(
    opened: tuple[Job, dict[str, Any]],
) -> None:
    job, _ = opened
    true = truth(job.truth)
    world = World(demo_scenario("lane_change"), duration_s=LENGTH_S, start_a=(0.9, 0.7))
    world.hold(0.9, 0.7, world.ticks)
    ride = np.array([79.2, 80.4, 82.1, 81.5])
    strokes_mm = np.stack([1000.0 * true[f"stroke_m.{corner}"] for corner in CORNERS], axis=1)
    # Noise 12 um and steps of 160 mm / 16383 [D]: six sigma and a step.
    assert np.abs(world.seen[::2, :4] - ride - strokes_mm).max() < 6 * 0.012 + 0.01
    assert np.abs(world.seen[:, :4] - ride).max() > 5.0


def test_the_truth_says_what_its_columns_are(opened: tuple[Job, dict[str, Any]]) -> None:
    job, said = opened
    with pa.memory_map(str(job.truth)) as mapped:
        schema = pa.ipc.open_file(mapped).schema
    about = {key.decode(): value.decode() for key, value in schema.metadata.items()}
    assert about == {"dashpot.truth": "1", "scenario": "Double lane change", "seed": "1", "loop": "open"}
    for field in schema:
        assert field.metadata[b"doc"], field.name
        unit = field.metadata[b"unit"].decode()
        suffix = {
            "m": "_m",
            "m/s": "_m_s",
            "N": "_n",
            "A": "_a",
            "bar": "_bar",
            "rad": "_rad",
            "V": "_v",
            "deg": "_deg",
        }
        assert unit not in suffix or suffix[unit] in field.name, field.name
    true = truth(job.truth)
    assert (np.diff(true["log_us"]) == 2000).all()
    assert true["log_us"][0] > START_US
    assert said["held_a"] == {"front": 0.9, "rear": 0.7}
    for corner, amps in zip(CORNERS, (0.9, 0.9, 0.7, 0.7), strict=True):
        assert true[f"coil_current_a.{corner}"] == pytest.approx(amps, abs=1e-6)
    # The drive's own arrays, and a motion that obeys its equation of forces: what holds the valve up is in the damper.
    assert true["accel_lat_m_s2"] == pytest.approx(true["speed_m_s"] * true["yaw_rate_rad_s"], abs=0.02)
    for corner in CORNERS:
        assert true[f"tyre_load_n.{corner}"].min() >= 0.0


def test_the_first_row_is_the_car_before_it_moves() -> None:
    world = World(demo_scenario("lane_change"), duration_s=0.2, start_a=(0.8, 0.8))
    start = world.motion[0].astype(float)
    # Settled: the body does not accelerate; the wheels feel the road's rate through the tyres' damping.
    assert np.abs(start[kernel.ACCEL : kernel.ACCEL + 3]).max() < 1e-9
    assert np.abs(start[kernel.ACCEL + 3 : kernel.STROKE]).max() < 0.5
    world.hold(0.8, 0.8, 1)
    after = world.motion[1].astype(float)
    assert after[kernel.POSITION : kernel.RATE] == pytest.approx(
        start[kernel.POSITION : kernel.RATE], abs=1e-3
    )
    assert after[kernel.TYRE_LOAD : kernel.VALVE_FORCE] == pytest.approx(
        start[kernel.TYRE_LOAD : kernel.VALVE_FORCE], rel=0.1
    )


def test_bus_times_are_within_the_analysis(closed: tuple[Job, dict[str, Any]]) -> None:
    _, said = closed
    bus = said["bus"]
    assert 0.37 < bus["load"] < bus["most_load"] < 0.5
    assert len(bus["messages"]) > len(MESSAGES)
    for message in bus["messages"]:
        assert 0 < message["worst_us"] <= message["bound_us"], message


# Determinism


def test_the_same_job_gives_the_same_bytes_and_another_seed_others(
    opened: tuple[Job, dict[str, Any]], tmp_path: Path
) -> None:
    job, _ = opened
    again, other = replace(job, log=tmp_path / "again.log"), replace(job, log=tmp_path / "other.log", seed=2)
    simulate(again, 0.0)
    simulate(other, 0.0)
    assert again.log.read_bytes() == job.log.read_bytes()
    assert again.truth.read_bytes() == job.truth.read_bytes()
    assert other.log.read_bytes() != job.log.read_bytes()


def test_a_drive_in_ticks_is_the_drive_in_one_go() -> None:
    scenario = demo_scenario("lane_change")
    at_once, ticking = (World(scenario, duration_s=1.0, start_a=(0.5, 0.5)) for _ in range(2))
    at_once.hold(0.5, 0.5, at_once.ticks)
    command = np.full((1, 4), 0.5)
    for _ in range(ticking.ticks):
        ticking.advance(command, ticking.steps)
    assert at_once.bus.frames().data.tobytes() == ticking.bus.frames().data.tobytes()
    assert at_once.bus.frames().stamp_us.tobytes() == ticking.bus.frames().stamp_us.tobytes()
    assert at_once.motion.tobytes() == ticking.motion.tobytes()
    assert at_once.seen.tobytes() == ticking.seen.tobytes()


# What is asked for and what goes wrong


@pytest.fixture
def go(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def run(*arguments: str | Path, out: str = "drive.log") -> tuple[int, str, str]:
        code = main(["simulate", *map(str, arguments), "--out", str(tmp_path / out)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_the_command_says_what_it_did(go: Any, tmp_path: Path) -> None:
    code, out, err = go(SCENARIO, "--duration", "1", "--current-ma", "600", "500")
    assert (code, err) == (0, "")
    assert "Double lane change, seed 1, open loop: 1.0 s" in out
    assert "Currents held: front 600 mA, rear 500 mA." in out
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drive.log", "drive.truth.arrow"]
    code, out, _ = go(SCENARIO, "--duration", "1", "--json", "--seed", "4", "--passive", out="other.log")
    said = json.loads(out)
    assert code == 0
    assert (said["seed"], said["loop"], said["drive_s"]) == (4, "open", 1.0)
    held = demo_scenario("lane_change").currents_a or (0.0, 0.0)
    assert (said["held_a"]["front"], said["held_a"]["rear"]) == held


def test_the_command_closes_the_loop(go: Any, tmp_path: Path) -> None:
    code, out, err = go(
        SCENARIO, "--duration", "0.5", "--vehicle", DATA / "vehicle.toml", "--calibration", DATA / "calibration.toml",
        "--dbc", dbc_dir() / "merlin_t4.dbc",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "closed loop" in out
    assert "251 ticks of 2 ms" in out
    assert open_run(tmp_path / "drive.run").ticks == 251


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--passive", "--calibration", "c.toml"], "--passive: is given beside --calibration"),
        (["--current-ma", "1", "2", "--image", "i.bin"], "--current-ma: is given beside --image"),
        (["--calibration", "c.toml"], "--vehicle: is missing"),
        (["--image", "i.bin", "--vehicle", "v.toml"], "--image: give either --image, or"),
        (["--image", "none.bin"], "none.bin"),
    ],
)
def test_a_wrong_choice_is_explained_and_leaves_nothing(
    go: Any, tmp_path: Path, arguments: list[str], message: str
) -> None:
    code, _, err = go(SCENARIO, "--duration", "0.5", *arguments)
    assert code == 2
    assert message in err
    assert list(tmp_path.iterdir()) == []


def test_earlier_files_stay_unless_they_may_go(go: Any, tmp_path: Path) -> None:
    (tmp_path / "drive.log").write_text("mine")
    code, _, err = go(SCENARIO, "--duration", "0.5")
    assert (code, "exists already" in err) == (2, True)
    assert (tmp_path / "drive.log").read_text() == "mine"
    code, _, _ = go(SCENARIO, "--duration", "0.5", "--replace")
    assert code == 0
    assert (tmp_path / "drive.log").read_text().startswith("(10000")
    code, _, err = go(SCENARIO, "--duration", "0.5", out="drive.blf")
    assert (code, "give a name that ends in .log" in err) == (2, True)


def test_a_tick_that_does_not_fit_the_plant_is_refused() -> None:
    with pytest.raises(InputError, match="a tick of 1250 us is no whole number of the plant's steps"):
        World(demo_scenario("lane_change"), duration_s=0.2, period_us=1250)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), FirmwareError("the firmware ended")])
def test_a_stop_in_the_loop_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    job = Job(SCENARIO, tmp_path / "drive.log", LOOP, duration_s=3.0)
    true_add = runs.RunWriter.add
    added = []

    def add(self: Any, block: Any, reply: Any) -> None:
        added.append(len(block.ticks))
        if len(added) == 2:
            raise error
        true_add(self, block, reply)

    monkeypatch.setattr(runs.RunWriter, "add", add)
    with pytest.raises(type(error)):
        simulate(job, 0.0)
    assert added == [closed_loop.CHUNK_TICKS] * 2
    assert list(tmp_path.iterdir()) == []


def test_a_stop_in_an_open_loop_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(simulation, "write_truth", stop)
    with pytest.raises(KeyboardInterrupt):
        simulate(Job(SCENARIO, tmp_path / "drive.log", duration_s=0.5), 0.0)
    assert list(tmp_path.iterdir()) == []


def test_the_board_has_the_images_coils_only_where_it_controls_them() -> None:
    layout = Layout.load(firmware_dir())
    image = replay_job.image_of(
        replay_job.Job(
            log=Path(), out=Path(), firmware=firmware_dir(), vehicle=LOOP.vehicle, calibration=LOOP.calibration, dbc=LOOP.dbc
        ),
        layout,
    )  # fmt: skip
    coils = board_coils(layout, image.data, 4, 0.0005)
    assert coils is not None
    # calibration.toml: 2.2 ohm, 12 mH, 0.7 V [D]; the bench's nominal supply.
    assert coils.ohm == pytest.approx([2.2] * 4)
    assert -0.0005 / np.log(coils.left) == pytest.approx(Coil().time_constant_s, rel=1e-3)
    assert (coils.supply_v, coils.freewheel_v) == (13.5, 0.7)
