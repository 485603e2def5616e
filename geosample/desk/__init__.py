"""The desk: the whole job in the browser, on the own machine.

``server`` answers the browser, behind the checks of ``guard``; ``worker`` is the process in which the stages run, and
``jobs`` what it does there; ``cards`` are the steps of the work and the questions they ask, taken from the commands.
No stage knows of the desk.
"""
