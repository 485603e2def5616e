"""Many courses: the same stages on each survey file, one process a core, and one summary."""

from geosample.batch.run import (
    BatchPlan,
    BatchStep,
    Outcome,
    Workers,
    check_region,
    find_surveys,
    gather_region,
    read_plan,
    run_batch,
    write_region,
)

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
