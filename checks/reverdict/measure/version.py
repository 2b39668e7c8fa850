"""Which analysis it is: a number that tells figures of one analysis from those of another.

Raise it with every change by which the same sound measures differently by more than ``measure.figures`` calls the same
(an arrival by a microsecond, a decay time by a thousandth), by which springs or passes are found that were not, or
figures appear or lapse. Do not raise it for what is faster, or differs by rounding only. Every approval records it with
what the golden measured then; ``golden verify`` says what has moved since.
"""

from __future__ import annotations

ANALYSIS_VERSION = 1
