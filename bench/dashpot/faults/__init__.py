"""Fault campaigns: put faults into a recorded log, one by one, and prove what the controller makes of each."""

from dashpot.faults.campaign import Bench, Campaign, Job, inject, run_campaign
from dashpot.faults.judge import Judge, Recording, Result
from dashpot.faults.kinds import KINDS, Fault, Kind, Scope
from dashpot.faults.plan import Plan, Row, load_plan, read_plan

__all__ = [
    "KINDS",
    "Bench",
    "Campaign",
    "Fault",
    "Job",
    "Judge",
    "Kind",
    "Plan",
    "Recording",
    "Result",
    "Row",
    "Scope",
    "inject",
    "load_plan",
    "read_plan",
    "run_campaign",
]
