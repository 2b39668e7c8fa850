"""``sensitivity.json``: which faults the tolerances catch, as data. Pages, terminal and other people's scripts read it.

A reference:

    name, title, rate_hz
    key            digest of what the results rest on: impulses, tolerances, the suite's own measuring and judging
    complete       all of its faults are there; false while a run is under way, or after one was cut off
    why_none       why no fault was injected (the golden does not pass beside itself), else empty
    residual_db    per path, what the fitted springs leave of the golden; null where there is no fit
    not_injected   fault and reason, for those that this golden cannot be given
    faults         see below

A fault:

    fault, about, unit             what is done, and the unit of its sizes
    mild, grave, scale             first and last size tried; "log" or "linear" between them; alike: it has no size
    ways                           later and earlier and so on: both are injected, and the milder outcome counts
    heard                          size and source, where it is known from when on it is heard; else null
    caught                         per check, and for "gate" as a whole; null where a check is not asked:
        stopped_from               mildest size from which on every size tried is unsure or fails; null if the gravest
                                   passes
        fails_from                 the same for fails alone
        at_mildest                 already the mildest size is stopped
        slips_again_at             sizes that pass although a milder one is stopped
    trials                         every size judged, the mildest first: outcome of the gate and of every check (of two
                                   ways the milder one), the checks that stop one way or the other, and the way in
                                   which the gate was milder
"""

from __future__ import annotations

from typing import Any

from reverdict import words

OUTCOMES = [outcome.value for outcome in words.Outcome]


def json_schema() -> dict[str, Any]:
    """Give the JSON Schema of ``sensitivity.json``. Unknown keys are allowed."""
    text, number, maybe = {"type": "string"}, {"type": "number"}, {"type": ["number", "null"]}
    outcome = {"enum": OUTCOMES}
    caught = {
        "oneOf": [
            {"type": "null"},
            _object(
                stopped_from=maybe, fails_from=maybe, at_mildest={"type": "boolean"}, slips_again_at=_array(number)
            ),
        ]
    }
    fault = _object(
        fault=text,
        about=text,
        unit=text,
        mild=number,
        grave=number,
        scale={"enum": ["log", "linear"]},
        ways=_array(text),
        heard={"oneOf": [{"type": "null"}, _object(size=number, source=text)]},
        caught={"type": "object", "required": ["gate"], "additionalProperties": caught},
        trials=_array(
            _object(
                size=number,
                gate=outcome,
                checks={"type": "object", "additionalProperties": outcome},
                stopped_by=_array(text),
                milder_way=text,
            )
        ),
    )
    reference = _object(
        name=text,
        title=text,
        rate_hz=number,
        key=text,
        complete={"type": "boolean"},
        why_none=text,
        residual_db=_array(maybe),
        not_injected=_array(_object(fault=text, reason=text)),
        faults=_array(fault),
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "reverdict sensitivity",
        **_object(schema={"const": 1}, suite_version=text, references=_array(reference)),
    }


def _array(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


def _object(**properties: Any) -> dict[str, Any]:
    return {"type": "object", "required": list(properties), "properties": properties}
