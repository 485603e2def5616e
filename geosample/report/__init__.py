"""Facts in, words out: the only room with sentences, for the terminal, paper and the page.

A module a stage, each of functions that take what the stage returns and the units to show, and return text.
"""

from geosample.report.terminal import Summary, fold, say, show_table, talk

__all__ = ["Summary", "fold", "say", "show_table", "talk"]
