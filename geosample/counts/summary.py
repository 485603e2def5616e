"""What a load did, in a few lines and as one summary."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from geosample.counts.adding import ANSWERED, Added
from geosample.counts.recounts import Agreement, compare_recounts, say_agreement
from geosample.files.tables import RowNote
from geosample.pests import load_pest
from geosample.report import show_table
from geosample.units import percent
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from geosample.design import Design


def list_codes(visits: pd.DataFrame, but: str) -> dict[str, str]:
    """Return design code -> visit, of the survey's visits other than one."""
    others = visits[visits["visit"] != but]
    return {str(code): str(name) for code, name in zip(others["design_code"], others["visit"], strict=True) if code}


def summarise_added(added: Added, design: Design) -> dict[str, Any]:
    """Return the visit's samples by status, its counts by stage, who is missing, and every note."""
    counts, pest = added.counts, load_pest(design.visit.pest)
    return {
        "visit": counts.visit,
        "pest": design.visit.pest,
        **_sum_up_samples(counts.samples),
        **_sum_up_insects(counts.counts, [*(stage.key for stage in pest.stages), UNSTAGED]),
        **_sum_up_points(counts.samples, design.points),
        **_sum_up_places(counts.samples),
        "recounts": [asdict(one) for one in compare_recounts(counts, pest)],
        "added": {"new": len(added.new), "unchanged": len(added.same), "replaced": len(added.changed)},
        "differences": [{"sample": note.where, "was": note.what, "done": note.done} for note in added.differences],
        "notes": [{"where": note.where, "found": note.what, "done": note.done} for note in counts.notes],
    }


def _sum_up_samples(samples: pd.DataFrame) -> dict[str, Any]:
    counted = samples[samples["status"] == "counted"]
    return {
        "samples": len(samples),
        "by_status": samples["status"].value_counts().to_dict(),
        "by_method": counted["method"].value_counts().to_dict(),
    }


def _sum_up_insects(counts: pd.DataFrame, stages: list[str]) -> dict[str, Any]:
    by_stage = dict(iter(counts.groupby("stage")["count"]))
    return {
        "insects": int(counts["count"].sum()),
        "samples_with_insects": int((counts.groupby("sample_id")["count"].sum() > 0).sum()),
        "by_stage": {
            stage: {"looked_for_in": len(by_stage[stage]), "found": int(by_stage[stage].sum())}
            for stage in stages
            if stage in by_stage
        },
    }


def _sum_up_points(samples: pd.DataFrame, points: pd.DataFrame) -> dict[str, Any]:
    answered = set(samples.loc[samples["status"].isin(ANSWERED), "point_id"])
    main = points.loc[points["role"] == "main", "point_id"]
    return {"main_points": len(main), "main_points_unanswered": [name for name in main if name not in answered]}


def _sum_up_places(samples: pd.DataFrame) -> dict[str, Any]:
    moved = samples.loc[samples["status"] == "counted", "moved"]
    return {
        "moved_samples": int(samples["moved"].sum()),
        "moved_share": float(moved.mean()) if len(moved) else None,
        "joined_by_position": int((samples["joined_by"] == "position").sum()),
    }


def gather_notes(notes: Iterable[RowNote]) -> list[str]:
    """Return a line a note, those that say the same of several places in one: nothing is left out.

    Examples
    --------
    >>> gather_notes([RowNote("a", "lost", "left"), RowNote("b", "found", "kept"), RowNote("c", "lost", "left")])
    ['lost: left (2): a, c', 'b: found: kept']
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for note in notes:
        groups.setdefault((note.what, note.done), []).append(note.where)
    return [
        f"{places[0]}: {what}: {done}" if len(places) == 1 else f"{what}: {done} ({len(places)}): {', '.join(places)}"
        for (what, done), places in groups.items()
    ]


def say_summary(summary: dict[str, Any]) -> list[str]:
    """Return the summary as lines for a person."""
    status = ", ".join(f"{number} {name.replace('_', ' ')}" for name, number in summary["by_status"].items())
    was = summary["added"]
    lines = [
        f"Visit {summary['visit']}: {summary['samples']} samples ({status or 'none'}); "
        f"{was['new']} new, {was['unchanged']} as before, {was['replaced']} replaced.",
        f"{summary['insects']} insects ({summary['pest']}) in {summary['samples_with_insects']} of "
        f"{summary['by_status'].get('counted', 0)} counted samples; a sample of none is a count of 0.",
    ]
    rows = [[stage, str(what["looked_for_in"]), str(what["found"])] for stage, what in summary["by_stage"].items()]
    lines += show_table(["stage", "samples that looked for it", "found"], rows) if rows else []
    missing = summary["main_points_unanswered"]
    if missing:
        lines.append(
            f"{len(missing)} of {summary['main_points']} main points have no count: {', '.join(missing[:12])}"
            + (f" and {len(missing) - 12} more" if len(missing) > 12 else "")  # noqa: PLR2004 (a line's worth)
        )
    if summary["moved_samples"]:
        lines.append(
            f"{summary['moved_samples']} plugs were moved ({percent(summary['moved_share'])} of those counted)."
        )
    return lines + say_agreement([Agreement(**one) for one in summary["recounts"]])
