"""From probability to zones: what is worth treating by the costs given, made drivable and told in areas and insects.

References
----------
The cut-off is the Bayes rule for two actions with constant losses, L_needless / (L_needless + L_missed): Berger 1985,
Statistical Decision Theory and Bayesian Analysis, section 4.4 (from memory, unverified).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.counts import load_counts
from geosample.density import decide_at, load_density
from geosample.design import load_design, load_visit
from geosample.errors import GeosampleError, Problem, TreatError, list_names
from geosample.estimate import estimate_means, save_estimates
from geosample.ground import load_ground
from geosample.pests import load_pest
from geosample.survey import shape_frame
from geosample.survey.findings import Findings, What, read_findings
from geosample.treat.amounts import Sprayer
from geosample.treat.cells import adds_nothing, place_cells, use_averages, weigh
from geosample.treat.figures import add_up, find_disputed, join_cells, target_curve
from geosample.treat.model import (
    MISS_COST,
    SMALLEST_M2,
    SPEED_M_PER_S,
    STRIP_STEP_M,
    SWATH_M,
    Basis,
    BorderRatio,
    CheckOffer,
    ControlClass,
    Driving,
    OfferedStrip,
    TreatSettings,
    Zones,
)
from geosample.treat.passes import lay_passes
from geosample.treat.records import last_groups
from geosample.treat.zoning import draw_surface, find_open_ground, leave_strips, outline_unknown, retake
from geosample.words import ACTIONS, KIND_LETTERS, hole_key, hole_label
from geosample.workers import map_threads

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyproj
    from shapely import Geometry

    from geosample.density import DensityMap
    from geosample.ground import Ground
    from geosample.survey import Survey
    from geosample.treat.passes import Drive
    from geosample.treat.zoning import OpenGround, SurfacePlan

_MOSTLY = 0.5
_OFFERED_SHARES = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
_FEWEST_STRIPS = 3
"""Strips offered at least: between so few the counts differ by place alone (own choice)."""
_ROOM_M2 = 32.0
"""Ground of the strips offered at least, m²: room for a stratum's eight points, 2 m apart (own choice)."""
_FROM_COUNTS = (What.COMMON_BORDER_RATIO, What.BORDER_RATIO, What.STAGE_SHARE)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the survey holds for a plan of one visit.

    Parameters
    ----------
    density_map : DensityMap
        The visit's map, or the map at its strata's averages.
    ground : Ground
        What it was made on.
    findings : Findings
        What the counts say of the border and of the stages; a follow-up's are those of the round it follows.
    treatments : DataFrame
        The layer ``treatments``.
    samples : GeoDataFrame
        The bags the map rests on, of both rounds for a follow-up.
    estimated_now : bool
        Whether there were no estimates yet, and they were made and kept.
    """

    density_map: DensityMap
    ground: Ground
    findings: Findings
    treatments: pd.DataFrame
    samples: gpd.GeoDataFrame
    estimated_now: bool = False


def gather_evidence(survey: Survey, visit: str | None = None, *, by: str = "auto") -> Evidence:
    """Return all that ``suggest_zones`` takes, from the survey file; estimates are made and kept where none are.

    Parameters
    ----------
    survey : Survey
        With a density map of the visit.
    visit : str, optional
        Its name; the newest when None.
    by : {'auto', 'map', 'averages'}
        Decide by the map's cells or by stratum averages; auto takes averages where the map adds nothing to them.

    Raises
    ------
    SurveyError, TreatError
        Without ground or map, and without counts to estimate from where averages are used.
    """
    density_map = load_density(survey, visit)
    ground = load_ground(survey, density_map.visit)
    name, pest = density_map.visit, density_map.pest
    estimated = load_visit(survey, name).follows or name
    samples = cast("gpd.GeoDataFrame", survey.read("samples"))
    samples = samples[samples["visit"].isin({name, estimated})]
    estimates = _estimates_of(survey, estimated, pest)
    estimated_now = estimates.empty and estimated in set(samples["visit"])
    if estimated_now:
        counts, design = load_counts(survey, estimated), load_design(survey, estimated)
        save_estimates(survey, estimate_means(counts, design, pest=pest))
        estimates = _estimates_of(survey, estimated, pest)
    found = [*read_findings(survey, name, pest, *_FROM_COUNTS)]
    if estimated != name:
        found += read_findings(survey, estimated, pest, *_FROM_COUNTS)
    if by == "averages" or (by == "auto" and adds_nothing(density_map)):
        because = Basis.NO_BETTER
        if by == "averages":
            because = Basis.ASKED
        elif density_map.fitted.get("no_map"):
            because = Basis.FEW_INSECTS
        strata = cast("gpd.GeoDataFrame", survey.need("strata", visit=name))
        density_map = use_averages(density_map, estimates, strata, because=because)
    return Evidence(
        density_map,
        ground,
        Findings(name, pest, tuple(found)),
        survey.read("treatments"),
        samples,
        estimated_now,
    )


def _check_asked(mapped: gpd.GeoDataFrame, settings: TreatSettings) -> None:
    """Refuse kinds and holes that are not on the map."""
    problems = []
    for where, column, asked in (("kinds", "kind", settings.kinds), ("holes", "hole", settings.holes)):
        known = list(dict.fromkeys(mapped[column].dropna()))
        absent = [name for name in asked if name not in known]
        if absent:
            problems.append(Problem(where, list_names(absent), f"of the map's: {list_names(known)}", "name those"))
    if problems:
        raise TreatError(problems)


def _estimates_of(survey: Survey, visit: str, pest: str) -> pd.DataFrame:
    every = survey.read("estimates")
    return every[(every["visit"] == visit) & (every["pest"] == pest)]


def suggest_zones(  # noqa: PLR0913 - plain keywords, for scripts
    density_map: DensityMap,
    ground: Ground,
    *,
    threshold_per_m2: float,
    miss_cost: float = MISS_COST,
    swath_m: float = SWATH_M,
    smallest_m2: float = SMALLEST_M2,
    keep_off_m: Mapping[str, float] | None = None,
    border_only_m: float | None = None,
    check_share: float = 0.0,
    sampled_only: bool = False,
    kinds: Sequence[str] = (),
    holes: Sequence[str] = (),
    strip_step_m: float = STRIP_STEP_M,
    speed_m_per_s: float = SPEED_M_PER_S,
    seed: int = 7,
    sprayer: Sprayer | None = None,
    findings: Findings | None = None,
    treatments: pd.DataFrame | None = None,
    samples: gpd.GeoDataFrame | None = None,
) -> Zones:
    """Return the zones to treat, in the order of what each acre saves, with what they hold and leave.

    Parameters
    ----------
    density_map : DensityMap
        Where the insects are and how sure that is, made on this ground.
    ground : Ground
        Surfaces and obstacles.
    threshold_per_m2 : float
        Action threshold, insects per m²; more than 0. The user's own: none is assumed.
    miss_cost : float
        What missing a hot place costs, in needless treatments of the same area; more than 0.
    swath_m : float
        Width the sprayer covers in one pass, m; more than 0.
    smallest_m2 : float
        Zones smaller than this are left out, m²; 0 keeps all.
    keep_off_m : mapping of str to float, optional
        Distance to keep from each kind of obstacle, m. Only what the user enters: none is invented.
    border_only_m : float, optional
        Treat nothing farther than this from the outer edge of the short turf, m.
    check_share : float
        Part of the area to treat that is left as check strips, 0 to 0.5.
    sampled_only : bool
        Treat no ground that no plug speaks for (``known`` of the map's cells is false): it is left, at its cost.
    kinds, holes : sequence of str
        Treat nothing but these kinds of surface, on these holes; all when empty.
    strip_step_m : float
        By how much the targeting curve's border strips grow, m.
    speed_m_per_s : float
        At which passes are driven, m/s: of the minutes alone.
    seed : int
        Of the draws behind the intervals of shares, and of the check strips' places.
    sprayer : Sprayer, optional
        Rate, carrier and tank as the user entered them, for amounts.
    findings : Findings, optional
        Of the visit and pest: the border ratio the counts support is looked up there, and the stage mix.
    treatments : DataFrame, optional
        The layer ``treatments``: what was done before, so that a class used last is called out.
    samples : GeoDataFrame, optional
        Rows of the layer ``samples``: the bags the map rests on, to count those in each zone. The map's own record of
        them when None.

    Returns
    -------
    Zones
        Possibly of no zones: nothing to treat is an answer too.

    Raises
    ------
    TreatError
        When the map was made on other ground, or with every argument that can't be.

    Notes
    -----
    A cell is worth treating where its probability of being above the threshold passes ``TreatSettings.cutoff``:
    leaving it costs more than treating it, however few plugs say so, since the probability has that doubt in it. The
    cells are joined, gaps narrower than the swath are closed, strips narrower than it are widened where that still pays
    by the same costs and dropped otherwise, corners are rounded to the swath, outlines straightened within half a
    cell, and every zone that does not pay as a whole, or is smaller than asked, is dropped.
    """
    settings = TreatSettings(
        threshold_per_m2,
        miss_cost=miss_cost,
        swath_m=swath_m,
        smallest_m2=smallest_m2,
        keep_off_m=dict(keep_off_m or {}),
        border_only_m=border_only_m,
        check_share=check_share,
        sampled_only=sampled_only,
        kinds=tuple(kinds),
        holes=tuple(holes),
        strip_step_m=strip_step_m,
        speed_m_per_s=speed_m_per_s,
        seed=seed,
        sprayer=sprayer or Sprayer(),
    )
    density_map = decide_at(density_map, threshold_per_m2)
    cells = place_cells(density_map, ground, threshold_per_m2)
    _check_asked(ground.surfaces[ground.surfaces["surface_id"].isin(cells["surface_id"])], settings)
    places = find_open_ground(ground, cells["surface_id"].unique(), settings)
    groups = dict(list(cells.groupby("surface_id", sort=False)))
    plans = map_threads(lambda one: draw_surface(one, groups[one.surface_id], density_map.cell_m, settings), places)
    rng = np.random.default_rng(seed)
    offered, offer = _offer_strips(plans, settings)
    plans = retake(leave_strips(plans, settings, rng))
    curve = target_curve(density_map, join_cells(plans), rng, step_m=strip_step_m, ground=ground)
    table = _tabulate(plans, density_map, settings, ground.crs, _find_bags(density_map, samples))
    drives, overspray_m2 = lay_passes(table, ground, swath_m=swath_m, keep_off_m=settings.keep_off_m)
    table = _share_overspray(table, drives)
    figures = replace(
        add_up(plans, ground, settings, curve, find_ratio(findings)),
        controls=find_controls(findings, density_map.pest, treatments) if len(table) else (),
        basis=Basis(density_map.fitted.get("because", Basis.MAP)),
        insects_counted=density_map.fitted.get("insects"),
        overspray_m2=overspray_m2,
        driving=_sum_driving(drives),
        offer=offer,
        disputed=find_disputed(density_map, ground, table, samples, threshold_per_m2),
    )
    return Zones(
        visit=density_map.visit,
        pest=density_map.pest,
        zones=table,
        settings=settings,
        figures=figures,
        simulated=bool(density_map.simulated),
        unknown=outline_unknown(plans, density_map.cell_m, ground.crs),
        drives=drives,
        offered=offered,
    )


def _offer_strips(
    plans: list[SurfacePlan], settings: TreatSettings
) -> tuple[tuple[OfferedStrip, ...], CheckOffer | None]:
    """Return the fewest strips that tell something, and the share that draws just these, for a plan that has none."""
    for share in _OFFERED_SHARES if settings.check_share == 0 else ():
        drawn = leave_strips(plans, replace(settings, check_share=share), np.random.default_rng(settings.seed))
        strips = [
            OfferedStrip(one.open.surface_id, one.open.hole, one.open.kind, strip)
            for one in drawn
            for strip in one.checks
        ]
        area_m2 = sum(one.geometry.area for one in strips)
        enough = len(strips) >= _FEWEST_STRIPS and area_m2 >= _ROOM_M2
        if enough or (strips and share == _OFFERED_SHARES[-1]):
            return tuple(strips), CheckOffer(len(strips), area_m2, share)
    return (), None


def _share_overspray(table: gpd.GeoDataFrame, drives: Sequence[Drive]) -> gpd.GeoDataFrame:
    """Return the zones with what a whole boom covers beside them; zones driven as one share it by their area."""
    part = {name: drive.overspray_m2 / drive.area_m2 for drive in drives for name in drive.zone_ids}
    return table.assign(overspray_m2=table["area_m2"] * table["zone_id"].map(part).fillna(0.0).astype(float))


def _sum_driving(drives: Sequence[Drive]) -> Driving:
    names = ("length_m", "swept_m2", "twice_m2", "kept_off_m2", "corners_m2")
    sums = {name: sum(getattr(drive, name) for drive in drives) for name in names}
    return Driving(sum(len(drive.passes) for drive in drives), **sums)


def find_ratio(findings: Findings | None) -> BorderRatio | None:
    """Return the border ratio among a visit's findings: the common one, or that of the only kind; None without."""
    if findings is None:
        return None
    for what in (What.COMMON_BORDER_RATIO, What.BORDER_RATIO):
        rows = [row for row in findings.of(what) if np.isfinite(row.low)]
        if len(rows) == 1:
            (row,) = rows
            said = {name: row.detail[name] for name in ("verdict", "level") if name in row.detail}
            return BorderRatio(row.value, row.low, row.high, **said)
    return None


def find_controls(findings: Findings | None, pest: str, treatments: pd.DataFrame | None) -> tuple[ControlClass, ...]:
    """Return which classes fit the stages found, the commonest first; every stage is in one of them.

    Parameters
    ----------
    findings : Findings or None
        The visit's; ``stage share`` rows are read.
    pest : str
        The visit's pest; one with no profile has nothing to say.
    treatments : DataFrame or None
        The layer ``treatments``: what was recorded before.
    """
    shares = {row.domain: row.value for row in findings.of(What.STAGE_SHARE)} if findings else {}
    try:
        controls = load_pest(pest).controls if shares else ()
    except GeosampleError:  # a pest of the user's own, with no profile
        return ()
    used = last_groups(treatments)
    fitting = []
    for control in controls:
        again = tuple(group for group in control.irac if group in used)
        share = sum(shares.get(stage, 0.0) for stage in control.stages)
        when = used[again[0]] if again else ""
        fitting.append(ControlClass(share, control.when, control.irac, again, when, control.grade, control.source))
    return tuple(sorted((one for one in fitting if one.share > 0), key=lambda one: -one.share))


def _find_bags(density_map: DensityMap, samples: gpd.GeoDataFrame | None) -> np.ndarray:
    """Return the places of the counted bags the map rests on."""
    if samples is not None:
        used = (samples["status"] == "counted") & ~samples["sample_id"].isin(density_map.fitted.get("partly", []))
        return np.asarray(samples.geometry[used].to_numpy())
    return np.asarray(shapely.points(density_map.bag_places))


def _tabulate(
    plans: Sequence[SurfacePlan],
    density_map: DensityMap,
    settings: TreatSettings,
    crs: pyproj.CRS,
    bags: np.ndarray,
) -> gpd.GeoDataFrame:
    """Return the zones, a row each: what saves most per area first, check strips last; numbered from the largest."""
    wanted = [
        (one, action, zone)
        for one in plans
        for action, zones in (("treat", one.treat), ("check", one.checks))
        for zone in sorted(zones, key=lambda z: -z.area)
    ]
    wanted.sort(key=lambda asked: _place_in_table(asked[0].open, asked[1]))
    named = _name_zones(map_threads(lambda asked: _describe(*asked, settings, bags), wanted))
    # what an area saves grows with its probability alone
    named.sort(key=lambda row: (list(ACTIONS).index(row["action"]), -row["probability"]))
    frame = gpd.GeoDataFrame(named or {"geometry": []}, geometry="geometry", crs=crs)
    whose = {"visit": density_map.visit, "pest": density_map.pest, "threshold_per_m2": settings.threshold_per_m2}
    return gpd.GeoDataFrame(shape_frame("zones", frame.assign(**whose)), geometry="geometry", crs=crs)


def _place_in_table(place: OpenGround, action: str) -> tuple[Any, ...]:
    """Return what the zones are sorted by: hole, then what to do, then kind."""
    return hole_key(place.hole), list(ACTIONS).index(action), list(KIND_LETTERS).index(place.kind)


def _describe(
    one: SurfacePlan, action: str, zone: Geometry, settings: TreatSettings, bags: np.ndarray
) -> dict[str, Any]:
    share = one.laid.share(zone)
    holds, known = weigh(one.cells, share), weigh(one.cells, share * one.cells["known"].to_numpy(float))
    many = int(shapely.intersects(zone, bags).sum())
    reason = "above" if holds.mean_per_m2 >= settings.threshold_per_m2 else "risky"
    if many == 0 and (len(bags) or known.area_m2 < _MOSTLY * holds.area_m2):
        reason = "no_plug"
    return {
        "surface_id": one.open.surface_id,
        "hole": one.open.hole,
        "kind": one.open.kind,
        "action": action,
        "reason": "check" if action == "check" else reason,
        "bags": many,
        "area_m2": zone.area,
        "mean_per_m2": holds.mean_per_m2,
        "low_per_m2": holds.low / holds.area_m2,
        "high_per_m2": holds.high / holds.area_m2,
        "insects": holds.insects,
        "probability": holds.probability,
        "overspray_m2": 0.0,
        "border_only": settings.border_only_m is not None,
        "geometry": shapely.multipolygons([zone]),
    }


def _name_zones(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows with their ids, such as Z07F-1, numbered from the largest."""
    used: dict[str, int] = {}
    named = []
    for row in rows:
        prefix = f"{ACTIONS[row['action']].letter}{hole_label(row['hole'])}{KIND_LETTERS[row['kind']]}"
        used[prefix] = used.get(prefix, 0) + 1
        named.append({**row, "zone_id": f"{prefix}-{used[prefix]}"})
    return named
