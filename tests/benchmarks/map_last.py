"""Is a map better for what the visit before it knew? Held-out score and cost of the plan, with and without, on pairs.

Run: python tests/benchmarks/map_last.py [--pairs N] [--write]
Ground: holes of a real course, else of the invented one. Two visits of so many bags each, at points of their own; the
second's field is the first's (likeness 1), partly (correlation 0.6), or another (0), at any level; each has an edge
effect or none. The later map is made alone, or with the earlier one's mean log density as a covariate that may have no
effect, or with both visits' bags under one field and a ratio between them; the latter two by their evidence. Every
number of the model is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import joblib
import numpy as np
import pandas as pd
from bench import as_markdown, ask, beside
from map_worlds import KS, Turf, correlate, turf_of
from scipy.spatial.distance import cdist
from scipy.special import expit, ndtr

from geosample.density.field import CountField
from geosample.density.laplace import Priors, foretell, integrate_evidence
from geosample.design import draw_spread

SEED, MISS_COST, RATIO_SD = 29, 3.0, 2.0
ALIKE, SIZES = (1.0, 0.6, 0.0), (30, 60)
HELD_OUT = 200


@dataclass(frozen=True)
class Visit:
    """One visit: where its bags were pulled, how near the edge, and what was in them."""

    places: np.ndarray
    edge: np.ndarray
    count: np.ndarray


def draw_pair(
    turf: Turf, number: int, alike: float, rng: np.random.Generator
) -> tuple[Visit, Visit, np.ndarray, float]:
    """Return two visits, and the second's density at the turf's cells with its k; densities are insects a bag."""
    drawn = [draw_spread(turf.fine, number * turf.fine_share, rng) for _ in range(2)]
    places = np.vstack([turf.fine[drawn[0]], turf.fine[drawn[1]], turf.places])
    away_m = np.concatenate([turf.fine_edge_m[drawn[0]], turf.fine_edge_m[drawn[1]], turf.edge_m])
    spread, range_m = rng.uniform(0.5, 1.2), float(np.exp(rng.uniform(np.log(10), np.log(80))))
    covariance = spread**2 * correlate(cdist(places, places) / range_m, smooth=False)
    fields = np.linalg.cholesky(covariance + 1e-8 * np.eye(len(places))) @ rng.standard_normal((len(places), 2))
    fields[:, 1] = alike * fields[:, 0] + np.sqrt(1 - alike**2) * fields[:, 1]
    border = (rng.uniform(0.5, 2) if rng.random() < 0.5 else 0.0) * np.exp(-away_m / 4.0)
    visits, k = [], float(np.exp(rng.uniform(*np.log(KS))))
    for nr in range(2):
        density = np.exp(fields[:, nr] + border)
        density *= np.exp(rng.uniform(np.log(0.4), np.log(4))) / (turf.share @ density[2 * number :])
        own = slice(nr * number, (nr + 1) * number)
        count = rng.poisson(rng.gamma(k, density[own] / k)).astype(float)
        visits.append(Visit(places[own], np.exp(-away_m[own] / 4.0), count))
    return visits[0], visits[1], density[2 * number :], k


def believe(field: CountField) -> float:
    """Return the log evidence of all a field's models together."""
    fitted = field.field_
    own = integrate_evidence(fitted.fits[0], Priors(field.spread_tail, field.range_tail_m))
    return float(own - np.log(max(fitted.shares[0], 1e-300)))


def foresee(
    field: CountField, turf: Turf, columns: np.ndarray, held: tuple[np.ndarray, np.ndarray], threshold: float
) -> np.ndarray:
    """Return the log probability of each held-out bag, and after them each cell's chance of more than a threshold."""
    cells, count = held
    basis = np.column_stack([np.full(len(cells), field.level_sd), columns[cells] * field.covariate_sds])
    found = foretell(field.field_, turf.places[cells], basis, np.full(len(cells), np.log(field.rate_)))
    latent = field.predict_latent(turf.places, columns)
    return np.concatenate([-found.log_score(count), ndtr((latent.mean - np.log(threshold)) / latent.spread)])


def run_pair(number: int, alike: float, pair: int) -> list[float]:
    """Return score and cost alone, with the covariate and with both visits' bags, and how far each is believed."""
    rng, turf = np.random.default_rng([SEED, number, int(10 * alike), pair]), turf_of(pair)
    first, second, truth, k = draw_pair(turf, number, alike, rng)
    cells = rng.choice(len(truth), HELD_OUT, p=turf.share / turf.share.sum())
    held = (cells, rng.poisson(rng.gamma(k, truth[cells] / k)).astype(float))
    if not first.count.any() or not second.count.any():
        return [np.nan] * 8
    threshold, edge = float(turf.share @ truth), np.exp(-turf.edge_m / 4.0)[:, None]
    asked = {"covariate_sds": [1.5], "doubtful": [0], "allow_even": True}
    before, alone = (
        CountField(**asked).fit(one.places, one.count, covariates=one.edge[:, None]) for one in (first, second)
    )
    known = before.predict_log(turf.places, edge)[0]
    there = before.predict_log(second.places, second.edge[:, None])[0]
    middle = turf.share @ known / turf.share.sum()
    led = CountField(covariate_sds=[1.5, 1.0], doubtful=[0, 1], allow_even=True)
    led.fit(second.places, second.count, covariates=np.column_stack([second.edge, there - middle]))
    which = np.repeat([-0.5, 0.5], number)
    joint = CountField(covariate_sds=[1.5, RATIO_SD], doubtful=[0], allow_even=True).fit(
        np.vstack([first.places, second.places]),
        np.concatenate([first.count, second.count]),
        covariates=np.column_stack([np.concatenate([first.edge, second.edge]), which]),
    )
    share = float(expit(believe(joint) - believe(before) - believe(alone)))
    told = [
        foresee(field, turf, columns, held, threshold)
        for field, columns in (
            (alone, edge),
            (led, np.column_stack([edge, known - middle])),
            (joint, np.column_stack([edge, np.full(len(edge), 0.5)])),
        )
    ]
    mixed = np.concatenate(
        [
            np.logaddexp(
                *(np.log(max(part, 1e-300)) + one[:HELD_OUT] for part, one in ((share, told[2]), (1 - share, told[0])))
            ),
            share * told[2][HELD_OUT:] + (1 - share) * told[0][HELD_OUT:],
        ]
    )
    hot, row = truth > threshold, []
    for one in (told[0], told[1], mixed):
        treat = one[HELD_OUT:] > 1 / (1 + MISS_COST)
        row += [one[:HELD_OUT].mean(), turf.share @ (MISS_COST * (hot & ~treat) + (~hot & treat))]
    return [*row, led.field_.chance_of(2), share]


def tell_cell(number: int, alike: float, found: list[list[float]]) -> dict[str, object]:
    """Return one row of the table from its pairs."""
    rows = np.array(found)
    rows = rows[~np.isnan(rows).any(axis=1)]
    told: dict[str, object] = {"bags": number, "likeness": alike, "pairs": len(rows)}
    told |= {"score": f"{rows[:, 0].mean():.3f}", "cost": f"{rows[:, 1].mean():.3f}"}
    for place, name in ((2, "covariate"), (4, "both visits' bags")):
        gain = rows[:, place : place + 2] - rows[:, :2]
        error = gain.std(axis=0, ddof=1) / np.sqrt(len(gain))
        told[f"{name}: score"], told[f"{name}: cost"] = (
            f"{one:+.4f} ({sd:.4f})" for one, sd in zip(gain.mean(axis=0), error, strict=True)
        )
        told[f"{name}: believed"] = f"{rows[:, 5 + place // 2].mean():.2f}"
    return told


def main() -> None:
    """Print the table, and write it where asked."""
    asked = ask(__doc__, beside(__file__), pairs=(80, 2))
    sizes, alike = ((30,), (1.0,)) if asked.smallest else (SIZES, ALIKE)
    work = [(*cell, pair) for cell in product(sizes, alike) for pair in range(asked.pairs)]
    found = joblib.Parallel(n_jobs=asked.jobs)(joblib.delayed(run_pair)(*one) for one in work)
    rows = {
        cell: [row for one, row in zip(work, found, strict=True) if one[:2] == cell] for cell in product(sizes, alike)
    }
    table = pd.DataFrame([tell_cell(*cell, own) for cell, own in rows.items()])
    lines = [
        "# Whether a map is better for what the visit before it knew",
        "",
        f"{HELD_OUT} held-out bags a pair. Score: mean log predictive probability of a bag, nats, of the later visit's",
        "map alone; higher is better. Cost of the plan: 1 for treating all needlessly, "
        f"{MISS_COST:g} for leaving all that should be; lower is better. Beside",
        "them what is added to each (standard error), and how far it is believed on average.",
        "",
        as_markdown(table),
    ]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
