"""The picture of a fit: the response as the wide pale bed, the model's response as the thin dark line over it.

Above, echograms of both on one axis; below it what the model leaves over, in the same scale. Beside them group delay
of the first passes: measured pale, the fitted trip's dark; under it their difference, and how well it is measured.
Agreement looks like one line on its bed. Sounds are shown as the fit saw them: below the top of its band.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.fit import first_pass_delay_s
from reverdict.report.pictures.measured import ECHOGRAM_DB
from reverdict.report.pictures.paper import DOTS_PER_INCH, PAPER, SPRING_LINES, on_paper, write_png
from reverdict.report.wording.basics import plain, shorten

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from reverdict.fit import TankFit
    from reverdict.measure.passes import SpringMeasurement
    from reverdict.words import Response

SHOWN_TRIPS = 7.5
COLUMNS = 500


def draw_fit(
    response: Response, channel: int, measured: SpringMeasurement, fit: TankFit, again: NDArray[Any],
    target: Path, *, title: str,
) -> None:  # fmt: skip
    """Draw a fit into a PNG, written beside its place and renamed.

    Parameters
    ----------
    channel : int
        Which row of the response was fitted.
    again : ndarray, shape (samples,)
        The model's response to a click at its first sample.

    Raises
    ------
    BadInput
        The target does not end in ``.png`` or cannot be written.
    """
    write_png(target, lambda: fit_figure(response, channel, measured, fit, again, title))


def fit_figure(
    response: Response, channel: int, measured: SpringMeasurement, fit: TankFit, again: NDArray[Any], title: str
) -> Figure:
    """The figure that ``draw_fit`` writes; axes are labelled echogram, left over, dispersion and difference."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with on_paper():
        figure = Figure(figsize=(12.4, 6.6), dpi=DOTS_PER_INCH)
        FigureCanvasAgg(figure)
        figure.text(0.07, 0.965, shorten(plain(title), 90), family="DejaVu Serif", size=13, va="top")
        for row, line in enumerate(textwrap.wrap(_said(fit), 165)[:3]):
            figure.text(0.07, 0.918 - 0.033 * row, line, family="DejaVu Serif", size=9.5, va="top")
        upper = figure.add_axes((0.07, 0.45, 0.5, 0.31), label="echogram")
        lower = figure.add_axes((0.07, 0.09, 0.5, 0.3), label="left over", sharex=upper, sharey=upper)
        _draw_echograms(upper, lower, response, channel, measured, fit, again)
        curves = figure.add_axes((0.65, 0.38, 0.33, 0.38), label="dispersion")
        apart = figure.add_axes((0.65, 0.09, 0.33, 0.2), label="difference", sharex=curves)
        _draw_curves(curves, apart, measured, fit, response.rate_hz)
    return figure


def _said(fit: TankFit) -> str:
    said = []
    for number, one in enumerate(fit.springs, start=1):
        sections = " and ".join(f"{group.sections.value:.1f}" for group in one.groups)
        said.append(
            f"Spring {number}: line {1e3 * one.delay_s.value:.3f} ms, {sections} sections of "
            f"{one.stretch.value:.2f} samples, reflection {_signed(one.reflection_db.value)} dB."
        )
    low_hz, high_hz = fit.band_hz
    left = f"From {low_hz:.0f} to {high_hz:.0f} Hz the model leaves over {-fit.residual_db:.0f} dB less than there is."
    return " ".join([*said, left, *(f"{note[0].upper()}{note[1:]}." for note in fit.notes)])


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")


def _draw_echograms(
    upper: Axes, lower: Axes, response: Response, channel: int, measured: SpringMeasurement, fit: TankFit,
    again: NDArray[Any],
) -> None:  # fmt: skip
    rate_hz = response.rate_hz
    shown_s = SHOWN_TRIPS * max(one.passes[0].time_s for one in measured.springs)
    start = round(response.click_at_s * rate_hz)
    sound = response.samples[channel][start:]
    size = min(sound.size, again.size, round(shown_s * rate_hz))
    whole = min(sound.size, again.size)
    ours, theirs = (_in_band(row[:whole], rate_hz, fit.band_hz)[:size] for row in (again, sound))
    peak = max(float(np.abs(theirs).max()), 1e-300)
    time_ms, recorded = _envelope_db(theirs, rate_hz, peak)
    upper.fill_between(time_ms, recorded, -ECHOGRAM_DB, color=PAPER["golden"], linewidth=0, label="recorded")
    upper.plot(time_ms, _envelope_db(ours, rate_hz, peak)[1], color=PAPER["ink"], linewidth=0.8, label="model")
    lower.fill_between(time_ms, recorded, -ECHOGRAM_DB, color=PAPER["band"], linewidth=0, label="recorded")
    lower.plot(
        time_ms, _envelope_db(theirs - ours, rate_hz, peak)[1], color=PAPER["build"], linewidth=0.9,
        linestyle=(0, (4, 1)), label="recorded less model",
    )  # fmt: skip
    upper.set_ylim(-ECHOGRAM_DB, 2)
    upper.set_xlim(0, 1e3 * size / rate_hz)
    upper.tick_params(labelbottom=False)
    for axes, heading in ((upper, "Echogram, and the model's over it"), (lower, "What the model leaves over")):
        axes.set_title(heading, loc="left", size=8.5, color=PAPER["soft"])
        axes.set_ylabel("level, dB re peak")
        axes.legend(loc="upper right", frameon=False, fontsize=7.5)
    lower.set_xlabel("time after the click, ms")


def _in_band(sound: NDArray[Any], rate_hz: float, band_hz: tuple[float, float]) -> NDArray[Any]:
    """Without what lies outside the band, edges a sixth of an octave wide."""
    from scipy import fft

    size = fft.next_fast_len(sound.size, real=True)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    low, high = band_hz
    weight = np.interp(hz, [0.84 * low, low, high, 1.12 * high], [0.0, 1.0, 1.0, 0.0])
    return np.asarray(fft.irfft(fft.rfft(sound, size) * weight, size)[: sound.size])


def _envelope_db(sound: NDArray[Any], rate_hz: float, peak: float) -> tuple[NDArray[Any], NDArray[Any]]:
    edges = np.unique(np.linspace(0, sound.size, min(COLUMNS, sound.size) + 1).astype(int))
    most = np.maximum.reduceat(np.abs(sound), edges[:-1]) / peak
    return 500.0 * (edges[1:] + edges[:-1]) / rate_hz, 20 * np.log10(np.maximum(most, 10 ** (-ECHOGRAM_DB / 20)))


def _draw_curves(curves: Axes, apart: Axes, measured: SpringMeasurement, fit: TankFit, rate_hz: float) -> None:
    assert fit.model is not None
    largest = 0.0
    for number, spring in enumerate(measured.springs, start=1):
        curve, (colour, dashes) = spring.curve, SPRING_LINES[number - 1]
        khz, inside = 1e-3 * curve.frequency_hz, curve.frequency_hz <= fit.band_hz[1]
        delay_s = first_pass_delay_s(fit.model, number - 1, curve.frequency_hz, rate_hz)
        curves.plot(khz, 1e3 * curve.delay_s, color=PAPER["golden"], linewidth=5, solid_capstyle="butt")
        curves.plot(khz, 1e3 * delay_s, color=colour, linestyle=dashes, linewidth=1.1, gid=f"fit {number}")
        curves.annotate(
            f"spring {number}", (khz[0], 1e3 * curve.delay_s[0]), xytext=(4, -12 if number == 1 else 6),
            textcoords="offset points", color=colour, size=7.5,
        )  # fmt: skip
        off_us = 1e6 * (delay_s - curve.delay_s)
        unsure_us = 1e6 * curve.uncertainty_s
        apart.fill_between(khz, -unsure_us, unsure_us, color=colour, alpha=0.15, linewidth=0)
        apart.plot(khz, off_us, color=colour, linestyle=dashes, linewidth=1.0, gid=f"difference {number}")
        largest = max(largest, float(np.quantile(np.abs(off_us[inside]), 0.9)) if inside.any() else 0.0)
    for axes in (curves, apart):
        axes.axvline(1e-3 * fit.band_hz[1], color=PAPER["soft"], linewidth=0.7, linestyle=(0, (1, 2)))
    most_ms = 1e3 * max(float(one.curve.delay_s.max()) for one in measured.springs)
    curves.set_ylim(0, 1.1 * most_ms)
    room = max(2 * largest, 20.0)
    apart.set_ylim(-room, room)
    curves.set_title(
        "Group delay of the first passes: measured (pale), fitted (line)", loc="left", size=8.5,
        color=PAPER["soft"],
    )  # fmt: skip
    curves.set_ylabel("delay, ms")
    apart.set_title(
        "Fitted less measured; shade: uncertainty of the measurement", loc="left", size=8.5, color=PAPER["soft"]
    )
    apart.set_ylabel("µs")
    apart.set_xlabel("frequency, kHz (dotted: top of the band fitted)")
