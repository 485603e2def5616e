"""Many courses: the same stages on each survey file, one process a core, and one summary."""

from geosample.batch.plan import Plan, Step, read_plan
from geosample.batch.region import check_region, gather_region, write_region
from geosample.batch.run import Outcome, Workers, run_batch

__all__ = [
    "Outcome",
    "Plan",
    "Step",
    "Workers",
    "check_region",
    "gather_region",
    "read_plan",
    "run_batch",
    "write_region",
]
