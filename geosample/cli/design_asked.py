"""What ``geosample design`` was asked, option by option, as a request and what goes with it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from geosample.design.asking import Asked
    from geosample.design.effort import Bench
    from geosample.design.howmany import Wish
    from geosample.ground import Ground
    from geosample.survey import Survey


def read_asked(survey: Survey, ground: Ground, asked: dict[str, Any]) -> Asked:
    """Return the request, with what the options leave open filled in from the survey."""
    from geosample.design import Request
    from geosample.design.asking import Extras, ask_design
    from geosample.design.howmany import Wish
    from geosample.design.request import parse_holes
    from geosample.design.stops import StopAsk

    options = dict(asked)
    options.pop("least_spacing")
    stop, groups = options.pop("stop_lines"), options.pop("hole_groups")
    extras = Extras(
        wish=Wish(*(options.pop(name) for name in ("expected", "precision", "threshold", "chance"))),
        bench=_bench(options),
        stop=StopAsk(*stop) if stop else None,
        **{name: options.pop(name) for name in ("points", "start", "areas", "area_name")},
    )
    _check_wish(extras.wish, extras.points)
    for name, none in (("holes", None), ("without_holes", ())):
        options[name] = parse_holes(options[name]) if options[name] else none
    options["hole_groups"] = tuple(parse_holes(group) for group in groups.split(";")) if groups else ()
    return ask_design(survey, ground, Request(**options), extras)


def _check_wish(wish: Wish, points: int | None) -> None:
    asked = [name for name, value in (("--precision", wish.precision), ("--threshold", wish.threshold_per_m2)) if value]
    if asked and (wish.expected_per_m2 is None or points is not None or len(asked) > 1):
        message = f"{' and '.join(asked)} needs --expected, and stands in place of --points"
        raise click.UsageError(message)


def _bench(options: dict[str, Any]) -> Bench | None:
    from geosample.design.effort import Bench, check_bench

    hours = options.pop("hours")
    rest = {name: options.pop(name) for name in ("people", "containers", "extraction")}
    if hours is None:
        return None
    bench = Bench(hours=hours, **rest)
    check_bench(bench)
    return bench
