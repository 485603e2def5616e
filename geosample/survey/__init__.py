"""The survey file: one GeoPackage per course, and the only door to it.

Readers need no lock and never see half a write; writers take turns. ``open_survey`` gives the file,
``Survey.read`` a layer, ``Survey.change`` a set of changes that is written whole or not at all.
"""

from geosample.survey.change import Change
from geosample.survey.file import Survey, open_survey
from geosample.survey.layers import LAYERS, Layer, shape_frame

__all__ = ["LAYERS", "Change", "Layer", "Survey", "open_survey", "shape_frame"]
