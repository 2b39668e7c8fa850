"""What change of the algorithm explains a deviation. Arrays and measurements in, frozen data out."""

from reverdict.diagnose.diagnosis import diagnose
from reverdict.diagnose.telling import Explanation

__all__ = ["Explanation", "diagnose"]
