"""Graded faults, injected into a response: pure functions of a response and a size, each in its own unit.

    fault       what a fault is: name, unit, from its mildest to its gravest size
    sound       what can happen to any sound: latency, noise, hum, clicks, truncation, a wrong rate, lost samples
    tail        what can happen to a dense tail: part of it late, another decay, modulation
    springs     what can happen to one spring, by the difference that a fitted model makes
    catalogue   which of them a reference can have, and why not the others

Nothing here judges, and nothing knows a tolerance.
"""

from reverdict.faults.catalogue import Catalogue, NotInjected, catalogue
from reverdict.faults.fault import Fault, Heard

__all__ = ["Catalogue", "Fault", "Heard", "NotInjected", "catalogue"]
