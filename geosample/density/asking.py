"""The density model's settings from the words of the command line."""

from __future__ import annotations

from collections.abc import Sequence

from geosample.density.settings import Settings
from geosample.errors import DensityError, Problem


def read_settings(
    *,
    covariates: str = "edge,kind",
    known_ratio: float | None = None,
    recoveries: Sequence[str] = (),
    threshold_per_m2: float | None = None,
) -> Settings:
    """Return the settings asked for.

    Parameters
    ----------
    covariates : str
        Names parted by commas, or none.
    known_ratio : float, optional
        As in ``Settings``; its default when None.
    recoveries : sequence of str
        Such as ``heat=1.6,1.2,2.1``; for a method, since the map adds the stages up.
    threshold_per_m2 : float, optional
        Density the hotspots are above.

    Raises
    ------
    EstimateError, DensityError
        When a recovery can't be read, or is for a stage or for no method.

    Examples
    --------
    >>> read_settings(covariates="none", recoveries=["heat=1.6"]).recovery
    {'heat': 1.6}
    """
    from geosample.estimate import parse_recovery

    named = [word.strip().lower() for word in covariates.split(",")]
    words = () if named == ["none"] else tuple(named)
    found = [parse_recovery(text) for text in recoveries]
    problems = [
        Problem("--recovery", repr(text), "a method and its share", "write heat=1.6; the map adds the stages up")
        for text, one in zip(recoveries, found, strict=True)
        if one.stage or not one.method
    ]
    if len(set(words)) < len(words):
        problems.append(Problem("--covariates", covariates, "each named once", "leave out the second"))
    if threshold_per_m2 is not None and not threshold_per_m2 > 0:
        remedy = "name the density above which you would act, such as 30/ft2"
        problems.append(Problem("--threshold", f"{threshold_per_m2:g} insects per m²", "more than 0", remedy))
    if problems:
        raise DensityError(problems)
    return Settings(
        covariates=words,
        known_ratio=Settings().known_ratio if known_ratio is None else known_ratio,
        recovery={one.method: one.value for one in found},
        recovery_sd=max((one.log_sd for one in found), default=0.0),
        threshold_per_m2=threshold_per_m2,
    )
