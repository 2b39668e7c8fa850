"""TOML in, frozen dataclasses out: the only room that knows how reference.toml, tolerances.toml and build.toml read.

    toml                            text read as TOML, or the line in which it is none
    tables/                         what may stand in each of the three files, with the meaning of every key
    brought                         and in the tables of checks that packages bring
    mistakes                        what does not fit, in words
    tolerances, reference, build    each of the three files read
    meanings                        all of this told: JSON Schema, keys with what they mean

Every mistake of a file is reported at once, with file and key and the likely slip. Strict on purpose: "0.1" is not a
number, true is not 1, an unknown key is a mistake and never ignored. The same models are exported as JSON Schema, with
the unit of every key in its description, so that editors complete and explain.

This is the only room that imports pydantic (``toml`` does not); import from it where it is needed, not at start-up.
"""

REFERENCE_FILE = "reference.toml"
TOLERANCES_FILE = "tolerances.toml"
