"""Options that several commands share, and the readers of their values."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable


class Once(argparse.Action):
    """An option that may be given once: the last of two would silently leave the first one's references out."""

    def __call__(
        self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, values: Any, option: str | None = None
    ) -> None:
        if getattr(namespace, self.dest) != self.default:
            parser.error(f"{option}: given twice; one pattern may stand for several names: 'work*', '[th]all*'")
        setattr(namespace, self.dest, values)


def command(commands: Any, name: str, run: Any, help_line: str, **rest: Any) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_line,
        description=rest.pop("description", help_line[0].upper() + help_line[1:] + "."),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        **rest,
    )
    parser.set_defaults(run=run)
    return parser


def number(kind: type[int] | type[float], lowest: float, highest: float, what: str) -> Callable[[str], Any]:
    """Reader of an option that takes a number within bounds."""

    def read(text: str) -> Any:
        try:
            value = kind(text)
        except ValueError:
            value = kind(lowest - 1)
        if not lowest <= value <= highest:
            raise argparse.ArgumentTypeError(f"{text!r} is not {what}")
        return value

    return read


def golden_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--golden", type=Path, default=Path("golden"), metavar="DIR", help="folder of golden references (./golden)"
    )


def click_at(text: str) -> float | str:
    seconds = number(float, 0, 3600, "auto, or seconds from the start of the file")
    return text if text == "auto" else float(seconds(text))


def only_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--only", action=Once, default="*", metavar="GLOB", help="only references whose name matches")


def jobs_option(parser: argparse.ArgumentParser) -> None:
    jobs = number(int, 1, 1024, "a number of workers, 1 or more")
    parser.add_argument("--jobs", type=jobs, default=1, metavar="N", help="worker processes (1); cost is timed alone")
