"""The survey file: one GeoPackage per course, and the only door to it.

Readers see whole states; writers take turns, with other programs too, by the locks of SQLite. ``open_survey``
gives the file, ``Survey.read`` a layer, ``Survey.change`` a set of changes that is written whole or not at all.
"""

from geosample.survey.file import Survey, open_survey
from geosample.survey.layers import LAYERS, Layer, shape_frame
from geosample.survey.writing import Change

__all__ = ["LAYERS", "Change", "Layer", "Survey", "open_survey", "shape_frame"]
