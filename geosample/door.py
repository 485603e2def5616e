"""The survey file as scripts and notebooks use it: results go in by ``save`` and come back by their stage's name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosample.errors import Problem, SurveyError
from geosample.survey import Survey
from geosample.survey import open_survey as _open_file

if TYPE_CHECKING:
    from pathlib import Path

    from geosample.counts import Counts
    from geosample.density import DensityMap
    from geosample.design import Design
    from geosample.estimate import Estimates
    from geosample.ground import Ground
    from geosample.treat import Zones


@dataclass(frozen=True, slots=True)
class CourseSurvey(Survey):
    """The survey file of one course, with every stage's result to be had and to be kept.

    ``visit`` is a visit's name everywhere; the newest one when None.
    """

    @property
    def ground(self) -> Ground:
        """The ground.

        Raises
        ------
        SurveyError
            When none has been saved; as for every other result.
        """
        from geosample.ground import load_ground

        return load_ground(self)

    def design(self, visit: str | None = None) -> Design:
        """Return a visit's design."""
        from geosample.design import load_design

        return load_design(self, visit)

    def counts(self, visit: str | None = None) -> Counts:
        """Return what came back of a visit."""
        from geosample.counts import load_counts

        return load_counts(self, self.find_visit(visit))

    def estimates(self, visit: str | None = None, *, pest: str | None = None) -> Estimates:
        """Return a visit's estimates, of the pest it was designed for unless another is named."""
        from geosample.estimate import load_estimates

        name = self.find_visit(visit)
        return load_estimates(self, name, pest or self.design(name).visit.pest)

    def density(self, visit: str | None = None) -> DensityMap:
        """Return a visit's density map, of the newest visit that has one when None."""
        from geosample.density import load_density, load_newest_density

        return load_newest_density(self) if visit is None else load_density(self, visit)

    def zones(self, visit: str | None = None) -> Zones:
        """Return a visit's zones, of the newest visit with a plan when None."""
        from geosample.treat import load_zones

        return load_zones(self, visit)

    def save(self, result: object) -> None:
        """Keep a stage's result in the file, in place of what it held of the same visit.

        Parameters
        ----------
        result : Ground, Design, Counts, Estimates, DensityMap or Zones
            As its stage returned it. Counts are added to those that are there, as the command does.

        Raises
        ------
        SurveyError
            For anything else, or when the file can't be written.
        """
        from geosample.counts import Counts, add_counts
        from geosample.density import DensityMap, save_density
        from geosample.design import Design, save_design
        from geosample.estimate import Estimates, save_estimates
        from geosample.ground import Ground, replace_ground
        from geosample.treat import Zones, save_zones

        if isinstance(result, Ground):
            replace_ground(self, result)
        elif isinstance(result, Design):
            save_design(self, result)
        elif isinstance(result, Counts):
            add_counts(self, result, self.design(result.visit))
        elif isinstance(result, Estimates):
            save_estimates(self, result)
        elif isinstance(result, DensityMap):
            save_density(self, result)
        elif isinstance(result, Zones):
            save_zones(self, result)
        else:
            expected = "a Ground, Design, Counts, Estimates, DensityMap or Zones"
            problem = Problem("result", f"a {type(result).__name__}", expected, "give what a stage returned")
            raise SurveyError(problem)


def open_survey(path: str | Path, *, must_exist: bool = False) -> CourseSurvey:
    """Return the survey file at a path, which need not exist before the first ``save``.

    Parameters
    ----------
    path : str or Path
        A GeoPackage, ending in ``.gpkg``.
    must_exist : bool
        Refuse a file that is not there yet.

    Returns
    -------
    CourseSurvey
        The same file as the commands use.

    Raises
    ------
    SurveyError
        When the name does not end in ``.gpkg``, when the file is missing and must exist, is no GeoPackage, or was
        written by a newer version.
    """
    return CourseSurvey(_open_file(path, must_exist=must_exist).path)
