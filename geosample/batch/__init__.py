"""Many courses: the same stages on each survey file, one process a core, and one summary."""

from geosample.batch.region import check_region, gather_region, write_region
from geosample.batch.run import BatchPlan, BatchStep, Outcome, Workers, find_surveys, read_plan, run_batch

__all__ = [
    "BatchPlan",
    "BatchStep",
    "Outcome",
    "Workers",
    "check_region",
    "find_surveys",
    "gather_region",
    "read_plan",
    "run_batch",
    "write_region",
]
