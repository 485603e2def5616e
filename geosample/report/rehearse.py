"""A rehearsal in words: what the fewest points decide first, then a line a number of points."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geosample.report import show_table
from geosample.units import Units, percent, show_area, show_density, show_length
from geosample.words import name_many

if TYPE_CHECKING:
    import pandas as pd

    from geosample.rehearsal import Rehearsal, World

FEW_CLEAR = 10
_GUESSES = {
    "few": "few and even",
    "patches": "patches about the threshold",
    "edges": "many, most along the edges",
}


def tell_rehearsal(rehearsal: Rehearsal, units: Units = "us") -> list[str]:
    """Return the answer: what the points decide, a line each number, and what was played."""
    return [
        tell_verdict(rehearsal),
        *show_table(*_table(rehearsal, units)),
        f"kinds: decided rightly where the truth is {rehearsal.clear_times:g} times from "
        f"{show_density(rehearsal.threshold_per_m2, units)} or more; ±: luck of the rounds",
        _say_played(rehearsal),
    ]


def tell_rehearsal_more(rehearsal: Rehearsal, units: Units = "us") -> list[str]:
    """Return the rest: every kind in every world, what each world is, and how it was played."""
    heads = ["world", "points", "kind", "bags", "right", "wrong", "undecided", "known within"]
    rows = [
        [
            _name(row["world"]), _points(row), name_many(row["kind"]), f"{row['bags']:.0f}",
            *(_share(row, name) for name in ("right", "wrong", "undecided")),
            "no limit" if math.isinf(row["factor"]) else f"×/÷ {row['factor']:.2f}",
        ]
        for row in rehearsal.kinds.to_dict("records")
    ]  # fmt: skip
    return [
        *show_table(heads, rows),
        "(right, wrong, undecided: of all rounds, at 90 %; known within: half of the rounds' 90 % intervals are as "
        "narrow, to either side)",
        *(_say_world(one, units) for one in rehearsal.worlds),
        f"Played on {show_area(rehearsal.area_m2, units)} in cells of {show_length(rehearsal.cell_m, units)}, seed "
        f"{rehearsal.seed}; a place is treated where leaving it costs more, a miss costing {rehearsal.miss_cost:g} "
        "needless treatments. The map tells where the counts foretold one another clearly better by it than by "
        "averages; else the plan goes by averages.",
        "Hours: walking, pulling and extraction one after the other, as design reckons them.",
    ]


def tell_verdict(rehearsal: Rehearsal) -> str:
    """Return the one line: what the fewest points decide, and what the rest would need."""
    kinds, plans = rehearsal.kinds, rehearsal.plans
    plans = plans[plans["world"] == "all"].sort_values(["hours", "border_weight"], kind="stable")
    sure = kinds[(kinds["world"] == "all") & (kinds["clear_right"] >= rehearsal.sure) & (kinds["clear"] >= FEW_CLEAR)]
    most = int(plans["points"].max())
    says = rehearsal.plans[rehearsal.plans["map_says"] >= rehearsal.sure]
    a_map = f"a map needs {says['points'].min()}" if len(says) else f"a map needs more than {most}"
    if sure.empty:
        return f"None of these numbers decides a kind in {percent(rehearsal.sure)} of clear rounds; {a_map}."
    first = next(row for row in plans.to_dict("records") if _decided(sure, row))
    decided = _decided(sure, first)
    if len(says) and says["points"].min() <= first["points"]:
        a_map = "and give a map"
    clear = kinds[kinds["world"] == "all"].groupby("kind", sort=False)["clear"].max()
    near = [name_many(kind) for kind in clear.index[clear < FEW_CLEAR]]
    others = [kind for kind in clear.index[clear >= FEW_CLEAR] if kind not in decided]
    fewest = {kind: str(_fewest(sure, kind) or f"more than {most}") for kind in others}
    needs = [
        f"{' and '.join(name_many(kind) for kind in others if fewest[kind] == number)} need {number}"
        for number in dict.fromkeys(fewest.values())
    ]
    needs += [f"{' and '.join(near)} lie too near the threshold to ask"] if near else []
    named = " and ".join(name_many(kind) for kind in decided)
    return f"{_points(first)} points, {first['hours']:.1f} h, decide {named}; {', '.join([*needs, a_map])}."


def _decided(sure: pd.DataFrame, plan: Mapping[Any, Any]) -> list[str]:
    mine = (sure["points"] == plan["points"]) & (sure["border_weight"] == plan["border_weight"])
    return list(sure["kind"][mine])


def _fewest(sure: pd.DataFrame, kind: str) -> int | None:
    mine = sure["points"][sure["kind"] == kind]
    return int(mine.min()) if len(mine) else None


def _table(rehearsal: Rehearsal, units: Units) -> tuple[list[str], list[list[str]]]:
    kinds = rehearsal.kinds[rehearsal.kinds["world"] == "all"]
    names = list(dict.fromkeys(kinds["kind"]))
    heads = ["points", "hours", *(name_many(name) for name in names), "needless", "left hot", "map tells"]
    rows = []
    for plan in rehearsal.plans[rehearsal.plans["world"] == "all"].to_dict("records"):
        mine = (kinds["points"] == plan["points"]) & (kinds["border_weight"] == plan["border_weight"])
        told = {row["kind"]: row for row in kinds[mine].to_dict("records")}
        rows.append(
            [
                _points(plan),
                f"{plan['hours']:.1f}",
                *(_share(told[name], "clear_right") if name in told else "none" for name in names),
                show_area(plan["needless_m2"], units),
                show_area(plan["left_hot_m2"], units),
                _share(plan, "map_says"),
            ]
        )
    return heads, rows


def _points(row: Mapping[Any, Any]) -> str:
    weight = row["border_weight"]
    return f"{row['points']}" if weight == 1 else f"{row['points']} (edge ×{weight:g})"


def _share(row: Mapping[Any, Any], name: str) -> str:
    if math.isnan(row[name]):
        return "no clear round"
    return f"{percent(row[name]).removesuffix(' %')} ±{percent(max(row[f'{name}_se'], 0.01))}"


def _name(world: str) -> str:
    return _GUESSES.get(world, world)


def _say_played(rehearsal: Rehearsal) -> str:
    names = [one.name for one in rehearsal.worlds]
    if set(names) <= set(_GUESSES):
        return (
            f"{rehearsal.rounds} rounds a number on {len(names)} guesses, none from your ground (own choice; --more)."
        )
    return f"{rehearsal.rounds} rounds a number, on what visit {', '.join(names)} found; simulated, no turf sampled."


def _say_world(world: World, units: Units) -> str:
    model = world.model
    means = ", ".join(f"{name_many(kind)} {show_density(mean, units)}" for kind, mean in world.kind_means.items())
    return (
        f"{_name(world.name)}: mean {means or show_density(model.mean_per_m2, units)}; log density's spread "
        f"{model.field_sd:.2g} in patches of {show_length(model.field_range_m, units)}, outer edge "
        f"{model.border_ratio:.2g} times the inside, k {model.k:.2g} a bag."
    )
