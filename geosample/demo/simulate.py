"""The demo's sheet as a crew would bring it back: counts drawn from a stated model, a few bags lost on the way."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from geosample.files.saving import read_cell, save_file, write_csv
from geosample.pests import load_pest
from geosample.rehearsal.worlds import count_bags

if TYPE_CHECKING:
    import numpy as np

    from geosample.design import Design
    from geosample.rehearsal.worlds import Truth


@dataclass(frozen=True, slots=True)
class Fates:
    """What share of the main points comes to grief; each unreachable one has a reserve point pulled for it."""

    lost: float = 0.02
    unreachable: float = 0.03
    not_extracted: float = 0.0
    off_turf: float = 0.0


def fill_sheet(
    blank_csv: Path,
    out_csv: Path,
    design: Design,
    truth: Truth,
    rng: np.random.Generator,
    fates: Fates | None = None,
) -> pd.DataFrame:
    """Write a filled copy of a blank sheet and return it, all cells as text; what nobody filled stays blank.

    Parameters
    ----------
    blank_csv, out_csv : Path
        What ``write_sheets`` made, and where the filled copy goes.
    design : Design
        The visit the sheet was printed for.
    truth : Truth
        Where the invented insects are.
    rng : Generator
        Draws the fates, then the counts.
    fates : Fates, optional
        Shares lost and so on; a few when None.
    """
    blank = pd.read_csv(blank_csv, dtype=str, keep_default_na=False, encoding="utf-8-sig").map(read_cell)
    filled = fill_rows(blank, design, truth, rng, fates)
    save_file(out_csv, write_csv(filled))
    return filled


def fill_rows(
    blank: pd.DataFrame, design: Design, truth: Truth, rng: np.random.Generator, fates: Fates | None = None
) -> pd.DataFrame:
    """Return a blank sheet's rows filled in; see ``fill_sheet``."""
    state = choose_fates(design, rng, fates or Fates())
    stages = [stage.key for stage in load_pest(design.visit.pest).stages]
    found = count_bags(design, truth, rng).set_index("point_id")[stages].astype(str)
    rows = []
    for row in blank.to_dict("records"):
        fate = state.get(row["point_id"], "")
        counts = found.loc[row["point_id"]].to_dict() if fate == "counted" else {}
        rows.append({**row, **counts, **_sign(design, fate)})
    return pd.DataFrame(rows, columns=list(blank.columns))


def choose_fates(design: Design, rng: np.random.Generator, fates: Fates) -> dict[str, str]:
    """Return point -> status; a reserve point that nobody needed is left out."""
    points = design.points.sort_values(["walk_order", "point_id"], kind="stable")
    main, spare = points[points["role"] == "main"], points[points["role"] == "reserve"]
    names = ["lost", "unreachable", "not_extracted", "off_turf"]
    shares = [fates.lost, fates.unreachable, fates.not_extracted, fates.off_turf]
    drawn = rng.choice([*names, "counted"], size=len(main), p=[*shares, 1 - sum(shares)])
    state = {str(point): str(fate) for point, fate in zip(main["point_id"], drawn, strict=True)}
    for stratum, needed in main[drawn == "unreachable"].groupby("stratum").size().items():
        pulled = spare.loc[spare["stratum"] == stratum, "point_id"].iloc[:needed]
        state.update(dict.fromkeys(pulled, "counted"))
    return state


def _sign(design: Design, fate: str) -> dict[str, str]:
    if not fate:
        return {}
    signed = {"collector": "crew A", "counted_by": "bench B", "collected_at": design.visit.date, "note": "simulated"}
    return signed if fate == "counted" else {**signed, "status": fate}
