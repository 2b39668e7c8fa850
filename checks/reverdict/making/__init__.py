"""Making golden references, and approving other responses and terms for them.

    wishes       what the user asks of a new reference
    sources      a recording or a build: its response, repeats of it, how it behaves and what it costs
    asking       what a reference can ask of builds, by what can be measured on it
    evidence     its tolerances from repeats and noise, by the rules of ``proposing``
    new          all of that, and what to tell of it
    approving    what an approval changes, told and made true; what is not as it was approved
    signing      who approves, and what builds are called there

All of it ends in ``golden_set.writing``.
"""

from reverdict.making.new import new_reference
from reverdict.making.wishes import Wishes, parameters_from

__all__ = ["Wishes", "new_reference", "parameters_from"]
