"""What the command says of the page it wrote."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geosample.cautions import TREATMENT
from geosample.units import Units, show_area
from geosample.webmap.measures import unknown_area
from geosample.webmap.model import Story
from geosample.words import ACTIONS


def summarise(story: Story, path: Path, *, units: Units = "us") -> tuple[list[str], dict[str, Any]]:
    """Return the lines and the JSON summary for a page that was written.

    Parameters
    ----------
    story : Story
        What was drawn.
    path : Path
        The page.
    units : {"us", "metric"}
        Of the lines.
    """
    summary = _count(story, path)
    lines = [f"wrote {path} ({summary['size_bytes'] / 1e6:.1f} MB); it opens with no network"]
    if story.simulated:
        lines.append(story.simulated)
    of_visit = f"visit {summary['visit']}: " if summary["visit"] else ""
    lines.append(f"{of_visit}{summary['surfaces']} surfaces, {summary['points']} points, {summary['samples']} samples")
    if story.density is None:
        lines.append("no density map yet: run 'geosample density' first to see where the insects are")
    for action, words in ACTIONS.items():
        zones = story.zones[story.zones["action"] == action]
        if len(zones):
            lines.append(f"{len(zones)} zones: {words.reason}; {show_area(float(zones['area_m2'].sum()), units)}")
    cautions = [str(caution) for caution in TREATMENT] if len(story.zones) else []
    return lines + cautions, {**summary, "cautions": cautions}


def _count(story: Story, path: Path) -> dict[str, Any]:
    areas = story.zones.groupby("action")["area_m2"].sum()
    return {
        "page": str(path),
        "size_bytes": path.stat().st_size,
        "visit": story.visit.get("visit"),
        "simulated": story.simulated or None,
        "surfaces": len(story.surfaces),
        "points": len(story.points),
        "samples": len(story.samples),
        "density": story.density is not None,
        "not_known_m2": unknown_area(story.settled) if story.settled else None,
        "zones": {action: int((story.zones["action"] == action).sum()) for action in ACTIONS},
        "zone_area_m2": {action: float(areas.get(action, 0.0)) for action in ACTIONS},
    }
