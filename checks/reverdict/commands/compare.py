"""``reverdict compare``: choose among candidates."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from reverdict.commands.console import Progress, reader_may_leave
from reverdict.commands.options import command, golden_option, jobs_option, only_option
from reverdict.commands.targets import prove_pages
from reverdict.page_folders import COMPARISON, REPORT

ABOUT = """\
Each build is put to the gate. Its distance from the goldens is the root mean square of its deviations in shares of
their tolerances, over echo timing, group delay and energy decay alike: 0 is the golden, 1 is what would just pass if
every value were at its limit. What no measurement here tells apart is said, and so is which is both close and cheap.
Only a build that passes is recommended; one that cannot be judged does not stop the others.

examples:
  reverdict compare firmware-a.toml firmware-b.toml firmware-c.toml --report comparison
  reverdict compare *.toml --only 'tank*' --json

exit status: 0 at least one passes, 1 none does, 2 bad input, 3 internal error
"""


def add(commands: Any) -> None:
    parser = command(
        commands, "compare", _run, "choose among candidates: closeness to the goldens, and cost",
        epilog=ABOUT,
    )  # fmt: skip
    parser.add_argument("builds", type=Path, nargs="+", metavar="BUILD", help="2 to 20 builds, as gate takes them")
    golden_option(parser)
    only_option(parser)
    parser.add_argument(
        "--report", type=Path, metavar="DIR",
        help="write index.html, compare.json and summary.md, and each build's own report in a folder",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="for scripts")
    jobs_option(parser)


def _run(options: argparse.Namespace) -> int:
    from reverdict import report
    from reverdict.choosing import choose
    from reverdict.comparing import compare
    from reverdict.report.data.verdict import to_json
    from reverdict.report.printed import comparison as compare_terminal
    from reverdict.report.wording.comparison import as_json

    if options.report:
        prove_pages(options.report, COMPARISON, options.builds, options.golden)
        for number in range(1, len(options.builds) + 1):
            for folder in filter(Path.is_dir, options.report.glob(f"{number}-*")):
                prove_pages(folder, REPORT, options.builds)
    progress = Progress(sys.stderr)
    try:
        verdicts = compare(
            options.builds, options.golden, options.only, options.jobs, progress.show, pictures=bool(options.report)
        )
    finally:
        progress.clear()
    choice = choose({
        label: {**to_json(verdict), "place": str(place)}
        for (label, verdict), place in zip(verdicts.items(), options.builds, strict=True)
    })  # fmt: skip
    page = report.write_comparison(choice, verdicts, options.report) if options.report else None
    with reader_may_leave():
        if options.json:
            print(json.dumps(as_json(choice), indent=1, ensure_ascii=False, allow_nan=False))
        else:
            compare_terminal.show(choice, sys.stdout)
            if page:
                print(f"Page: {page}")
    return 0 if any(one.passes for one in choice.candidates) else 1
