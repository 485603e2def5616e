"""The rehearsal: Ground in, what so many plugs would tell out (Rehearsal), played on simulated truths."""

from geosample.rehearsal.play import Rehearsal, rehearse
from geosample.rehearsal.worlds import World, guess_worlds, read_world, state_worlds

__all__ = ["Rehearsal", "World", "guess_worlds", "read_world", "rehearse", "state_worlds"]
