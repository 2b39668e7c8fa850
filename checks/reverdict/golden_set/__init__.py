"""The folder of golden references.

    golden/tolerances.toml          tolerances for every reference that does not set its own
    golden/<name>/reference.toml    one reference: its impulses with their digests, its approval, its tolerances
    golden/<name>/*.wav, *.flac     impulse responses from the click on, one file per input
    golden/<name>/approvals.log     every approval so far, one JSON object a line

What ordinary runs ask of it stands here:

    loading      references found and read, with their samples or without
    standing     references as they stand, beside what was approved
    verifying    all that is wrong with a folder
    impulses, approvals, terms    their sound files; their logs; what their check tables say, sealed and compared

``writing`` alone changes it, by a new reference or an approval; ``text`` is reference.toml written and edited.
"""

from reverdict.golden_set.approvals import last_measured, unlogged
from reverdict.golden_set.loading import GoldenReference, few, load, names, prove, read, read_proven, references
from reverdict.golden_set.standing import Summary, describe, edited_by_hand, remarks
from reverdict.golden_set.verifying import verify

__all__ = [
    "GoldenReference", "Summary", "describe", "edited_by_hand", "few", "last_measured", "load", "names", "prove",
    "read", "read_proven", "references", "remarks", "unlogged", "verify",
]  # fmt: skip
