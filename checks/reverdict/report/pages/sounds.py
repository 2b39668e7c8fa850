"""What can be heard of a reference, on its page: golden, candidate and difference, switched in place.

Without script there is a plain player for each of the three; ``assets/listen.js`` makes one player of them, in which
all three run in step.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reverdict.report.pages.markup import text_of, thin
from reverdict.report.wording.basics import figure

Json = Mapping[str, Any]
VERSIONS = {"golden": "golden", "candidate": "build", "difference": "difference"}

STYLE = """
.listen{margin:1.2rem 0 1.6rem}
.listen .beware{border-left:3px solid var(--ink);padding-left:.8rem;max-width:44rem}
.listen .plain{display:flex;flex-wrap:wrap;gap:.6rem 1.6rem}
.listen .plain label{display:grid;gap:.2rem}
.listen .plain audio{width:16rem;max-width:100%}
.listen fieldset{border:1px solid var(--line);margin:.6rem 1rem .6rem 0;padding:.3rem .8rem .5rem;display:inline-block;
 vertical-align:top}
.listen legend{color:var(--soft);font-size:.875rem}
.listen fieldset label{margin-right:1rem;white-space:nowrap}
.listen input{accent-color:var(--build)}
.listen button{font:inherit;color:inherit}
.listen button{background:var(--wash);border:1px solid var(--ink);padding:.3rem 1rem;margin-right:1rem}
.listen button:focus-visible,.listen input:focus-visible{outline:2px solid var(--build);outline-offset:2px}
@media print{.listen{display:none}}
"""


def sounds_html(reference: Json, root: str) -> str:
    """The section; nothing where no sounds were made."""
    sounds = reference.get("sounds") or {}
    if not sounds:
        return ""
    folder = f"{root}{text_of(sounds['folder'])}"
    players = "".join(
        f'<label>{said}<audio controls preload="none" src="{folder}/{version}.flac"></audio></label>'
        for version, said in VERSIONS.items()
    )
    cues = "; ".join(f"{text_of(cue['name'])} at {figure(cue['from_s'], 1)} s" for cue in sounds["cues"])
    return (
        f'<section class="listen" aria-labelledby="listen" data-folder="{folder}" data-cues="{_cues(sounds)}">'
        '<h2 id="listen">Listen</h2><p class="beware">Turn the volume down before you begin, above all with '
        "headphones, and raise it slowly: a faulty build can be loud in unexpected places.</p>"
        f'<p class="quiet">{thin(text_of(_levels(sounds)))}</p>'
        f'<div class="plain">{players}</div><p class="quiet">Each holds, one after another: {thin(cues)}.</p></section>'
    )


def _cues(sounds: Json) -> str:
    return text_of(",".join(f"{cue['name']}|{cue['from_s']:.5f}|{cue['to_s']:.5f}" for cue in sounds["cues"]))


def _levels(sounds: Json) -> str:
    """What was done to the levels."""
    gain, below = sounds["candidate_db"], sounds["difference_db"]
    if gain is None:
        matched = "Golden or build is silent, so they are as loud as they are."
    elif abs(gain) < 0.05:
        matched = "Golden and build are equally loud as they are."
    else:
        way = "raised" if gain > 0 else "lowered"
        matched = f"The build is {way} by {figure(abs(gain), 1)} dB to be as loud as the golden (ITU-R BS.1770-4)."
    if below is None:
        return f"{matched} They do not differ."
    return (
        f"{matched} The difference is the build as it is less the golden, {figure(abs(below), 0)} dB "
        f"{'below' if below < 0 else 'above'} it, and sounds as loud as that."
    )
