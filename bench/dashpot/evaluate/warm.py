"""Imported once before the processes that measure are forked: what they all need is then there, compiled loops included."""

from __future__ import annotations

from dashpot.evaluate.measure import LEAST_S, Case, measure, passive
from dashpot.plant.scenario import demo_scenario_path

measure(passive("warm", 0.0, 0.0), Case(demo_scenario_path("lane_change"), 1, LEAST_S))
