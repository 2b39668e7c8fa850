"""From a response to the numbers of the usual spring algorithm, and from these to a sound. Arrays in, data out."""

from reverdict.fit.agreement import Agreement, agreement
from reverdict.fit.fitting import Group, SpringFit, TankFit, Value, fit_tank
from reverdict.fit.model import TankModel, TripModel, first_pass_delay_s, synthesise, trip_delay_s

__all__ = [
    "Agreement", "Group", "SpringFit", "TankFit", "TankModel", "TripModel", "Value", "agreement", "first_pass_delay_s",
    "fit_tank", "synthesise", "trip_delay_s",
]  # fmt: skip
