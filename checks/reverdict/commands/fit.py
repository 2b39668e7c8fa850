"""``reverdict fit``: the usual spring algorithm fitted to a response."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from reverdict.commands.console import Progress
from reverdict.commands.options import click_at, command, number
from reverdict.commands.targets import prove_file
from reverdict.durable import replace_text
from reverdict.errors import BadInput, cause

ABOUT = """\
Each spring is a delay line, chains of stretched allpass sections, a lowpass and a reflection. The fit says how long,
how many, where and how strong, each with its uncertainty (k = 2), as commented TOML: a starting point for a model, and
numbers to compare two builds by. [fit] says how much the model leaves over, and how well its own response, measured
in the same way, agrees with FILE. A real spring is no allpass chain: there the numbers describe, they do not explain.

examples:
  reverdict fit tank.wav                                 the numbers, as TOML
  reverdict fit tank.wav --toml tank.toml --wav model.wav --plot fit.png
  reverdict measure model.wav                            what the model would measure

exit status: 0 fitted, 2 no spring to fit (dense, too short, too noisy: it says which) or bad input, 3 internal error
"""


def add(commands: Any) -> None:
    parser = command(
        commands,
        "fit",
        _run,
        "fit the usual spring algorithm to a response: delay lines, allpass sections, reflections, lowpasses",
        epilog=ABOUT,
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="WAV or FLAC file holding the answer to one click")
    parser.add_argument(
        "--click-at", type=click_at, default="auto", metavar="auto|SECONDS",
        help="when the click went in (auto: a sharp onset, or the start of the file)",
    )  # fmt: skip
    channel = number(int, 1, 1024, "the number of a channel, 1 or more")
    parser.add_argument("--channel", type=channel, default=1, metavar="N", help="which channel of FILE is fitted (1)")
    parser.add_argument("--toml", type=Path, metavar="OUT.toml", help="write the numbers here, not to the terminal")
    parser.add_argument("--wav", type=Path, metavar="OUT.wav", help="write the response that the fitted model gives")
    parser.add_argument("--plot", type=Path, metavar="PNG", help="draw what was measured of both, and the residual")
    parser.add_argument("--json", action="store_true", help="print JSON instead of TOML")


def _run(options: argparse.Namespace) -> int:
    import numpy as np

    from reverdict.fit import agreement, fit_tank, synthesise
    from reverdict.measure.springs import find_springs
    from reverdict.recorded import late_click, read_recording
    from reverdict.report.data import fit as fitted
    from reverdict.sound import write_sound

    if options.wav and options.wav.suffix.lower() != ".wav":
        raise BadInput(options.wav, "a re-synthesised response is a WAV; end its name in .wav")
    for target in (options.toml, options.wav, options.plot):
        if target and (not target.parent.is_dir() or target.resolve() == options.file.resolve()):
            what = "is the recording itself" if target.parent.is_dir() else f"no folder {target.parent}"
            raise BadInput(target, f"cannot write here ({what})")
        if target:
            prove_file(target)
    response, warnings = read_recording(options.file, options.click_at)
    if options.channel > len(response.samples):
        raise BadInput(options.file, f"has {len(response.samples)} channel(s), no channel {options.channel}")
    sound, path = response.samples[options.channel - 1], response.paths[options.channel - 1]
    progress = Progress(sys.stderr)
    try:
        progress.show("finding springs")
        measured = find_springs(sound, response.rate_hz, response.click_at_s)
        fit = fit_tank(sound, response.rate_hz, response.click_at_s, measured, progress.show)
        if fit.model is None:
            raise BadInput(options.file, f"no spring to fit: {fit.why_none}")
        progress.show("measuring the model's response")
        again = synthesise(fit.model, response.rate_hz, min(response.seconds_after_click, 60.0))
        agreed = agreement(sound, again, response.rate_hz, response.click_at_s, measured)
    finally:
        progress.clear()
    warnings += late_click(response, measured)
    told = fitted.as_dict(fit, agreed, response.rate_hz, options.file.name, path, warnings)
    if options.wav:
        write_sound(options.wav, again[np.newaxis], response.rate_hz, made_by="reverdict")
    if options.plot:
        from reverdict.report.pictures.fitted import draw_fit

        draw_fit(response, options.channel - 1, measured, fit, again, options.plot, title=options.file.name)
    if options.toml:
        try:
            replace_text(options.toml, fitted.as_toml(told))
        except OSError as error:
            raise BadInput(options.toml, f"cannot be written ({cause(error)})") from error
    if options.json:
        print(fitted.as_json(told), end="")
    elif not options.toml:
        print(fitted.as_toml(told), end="")
    else:
        written = [str(target) for target in (options.toml, options.wav, options.plot) if target]
        print(f"Written: {', '.join(written)}")
        print("".join(f"Beware: {warning}\n" for warning in warnings), end="")
    return 0
