"""From a reply score to timed commands that keep every limit."""

from callresp.plan.checked_plan import CheckedPlan, Checker, PlanBreaksLimitError, check
from callresp.plan.files import read_plan, write_plan
from callresp.plan.planner import Planner, make_plan

__all__ = [
    "CheckedPlan",
    "Checker",
    "PlanBreaksLimitError",
    "Planner",
    "check",
    "make_plan",
    "read_plan",
    "write_plan",
]
