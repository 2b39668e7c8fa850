"""``reverdict schema``: the JSON Schema of a file format."""

from __future__ import annotations

import argparse
import json
from typing import Any

from reverdict.commands.options import command


def add(commands: Any) -> None:
    parser = command(
        commands,
        "schema",
        _run,
        "print the JSON Schema of a file format, so that editors complete and check it",
        epilog="example:\n  reverdict schema build > build.schema.json",
    )
    formats = ("reference", "tolerances", "build", "verdict", "sensitivity")
    parser.add_argument("which", choices=formats, help="which file: reference.toml, tolerances.toml, …")


def _run(options: argparse.Namespace) -> int:
    if options.which == "verdict":
        from reverdict.report.data.verdict import json_schema as verdict_schema

        schema = verdict_schema()
    elif options.which == "sensitivity":
        from reverdict.report.data.sensitivity import json_schema as sensitivity_schema

        schema = sensitivity_schema()
    else:
        from reverdict.schema.meanings import json_schema

        schema = json_schema(options.which)
    print(json.dumps(schema, indent=2))
    return 0
