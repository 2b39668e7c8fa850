"""The picture of one measurement: echogram, chirps in time and frequency, dispersion and decay, on paper.

Per channel a sentence says what was found. Below it stand, on one time axis, the echogram with every pass numbered
spring.pass and the time-frequency picture with the group-delay curve of each pass over it: the energy is the pale bed,
the curve the thin dark line in it, so that a curve that left its chirp is seen at once. Beside them stand the
dispersion of the first passes and the decay of the octave bands, below them the level of the first passes over
frequency, which an allpass chain leaves flat. Where there are no separate passes the sentence says
why, and the panels that would be empty are not drawn. What was held against a golden has at its foot the lag over time,
the uncertainty as a shade, and the coherence of the two. A recorded sweep has its harmonic distortion below, per
channel.

The picture shows what ``measure`` found and measures nothing itself. Times count from the click.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure.time_frequency import REACH, energy, impulse_s
from reverdict.report.pictures.paper import DOTS_PER_INCH, PAPER, SPRING_LINES, on_paper, write_png
from reverdict.report.pictures.peak_meter import FALL_DB_PER_MS, peak_meter
from reverdict.report.wording.basics import listed, plain, sentence, shorten
from reverdict.report.wording.lag import about_lag
from reverdict.report.wording.measured import ORDINALS, colour_in_words, latency_in_words, skew_told

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from reverdict.measure.decay import BandDecay, DecayMeasurement
    from reverdict.measure.distortion import Distortion
    from reverdict.measure.flatness import Flatness
    from reverdict.measure.lag_curve import LagCurve, LagMeasurement
    from reverdict.measure.measurement import Measurement, PathMeasurement
    from reverdict.measure.passes import DelayCurve, Spring, SpringMeasurement
    from reverdict.measure.swept import Swept
    from reverdict.words import Response

ENERGY_COLOURS = (PAPER["paper"], "#efe3bd", PAPER["golden"], "#b5913f")

BAND_COLOURS = ("#8f7d5c", "#5d564b", "#2f6fa8", "#123f66")
"""Octave bands from low to high."""

OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
MOST_CHANNELS = 16
WIDTH, LEFT, RIGHT = 12.4, 0.85, 0.2
WIDE, GUTTER, SIDE_LABELS = 6.9, 1.0, 0.85
HEAD, LINE, LANE, HEADING, XLABEL, FOOT = 0.95, 0.21, 0.17, 0.26, 0.58, 0.75
ECHOGRAM, CHIRPS, GAP = 1.35, 3.05, 0.12
LAG, COHERENCE = 1.35, 0.6
FLATNESS, FLATNESS_LABELS = 1.2, 2.35
DISTORTION = 1.9
"""Inches. ``SIDE_LABELS`` is the room right of the dispersion for the transition frequencies."""

COLUMNS = 600
ROWS = 150
LOWEST_HZ, HIGHEST_HZ = 100.0, 8000.0
DENSE_S, LONGEST_S, SHORTEST_S = 0.25, 2.0, 0.002
ECHOGRAM_DB, CHIRPS_DB, DECAY_DB, LABELS_DB = 60.0, 36.0, 65.0, 13.0
MOST_LIFT_DB = 25.0
"""A quiet frequency is drawn as if it were louder by this much at most, so that noise stays pale."""


def draw(
    response: Response,
    measurement: Measurement,
    target: Path,
    *,
    title: str,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
) -> None:
    """Draw a measurement into a PNG, written beside its place and renamed.

    Parameters
    ----------
    response : Response
        What was measured.
    measurement : Measurement
        Of that response, path by path in its order.
    target : Path
        Ends in ``.png``; replaced if it exists.
    title : str
        Any text; usually the file's name.
    lags : sequence of LagMeasurement
        Per channel, where it was held against a golden.
    swept : Swept or None
        Where the response was deconvolved from a sweep.

    Raises
    ------
    BadInput
        The target does not end in ``.png`` or cannot be written.
    """
    write_png(target, lambda: figure_of(response, measurement, title, lags, swept))


def figure_of(
    response: Response,
    measurement: Measurement,
    title: str,
    lags: Sequence[LagMeasurement] = (),
    swept: Swept | None = None,
) -> Figure:
    """The figure that ``draw`` writes.

    Its axes are labelled ``echogram``, ``chirps``, ``dispersion``, ``decay``, ``flatness``, ``lag``, ``distortion``.

    Marks and curves carry ``spring.pass`` as their gid, so that what is drawn can be compared with what was measured.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    pairs = list(zip(response.samples, measurement.paths, strict=True))
    plates = [
        _Plate.of(row, path, response, lags[index] if lags else None)
        for index, (row, path) in enumerate(pairs[:MOST_CHANNELS])
    ]
    distorted = swept.deconvolved.distortion[:MOST_CHANNELS] if swept is not None else ()
    strips = [(path.path, one) for path, one in zip(measurement.paths, distorted, strict=False) if one.orders]
    heights = [HEADING + DISTORTION + FOOT if _shows(one) else 2 * HEADING for _, one in strips]
    height = HEAD + sum(plate.height for plate in plates) + sum(heights)
    with on_paper():
        figure = Figure(figsize=(WIDTH, height), dpi=DOTS_PER_INCH)
        FigureCanvasAgg(figure)
        sheet = _Sheet(figure, height)
        _write_head(sheet, response, title, skew_told(swept) if swept is not None else "")
        top = HEAD
        for plate in plates:
            _draw_plate(sheet, plate, top)
            top += plate.height
        for (path, distortion), strip_height in zip(strips, heights, strict=True):
            named = f" of {shorten(plain(path))}" if path else ""
            if _shows(distortion):
                _heading(sheet, LEFT, top, f"Harmonic distortion{named}, orders 2 to 5 and their total")
                axes = sheet.axes("distortion", LEFT, top + HEADING, WIDTH - LEFT - RIGHT, DISTORTION)
                _draw_distortion(axes, distortion)
            else:
                _heading(sheet, LEFT, top, f"Harmonic distortion{named}: orders 2 to 5 within the noise")
            top += strip_height
    return figure


# What is shown of a channel


@dataclass(frozen=True)
class _Plate:
    """All panels of one channel, and how high they stand.

    sound : ndarray, shape (samples,)
        From the click to a little after ``shown_s``, without offset; empty where there is nothing to see.
    """

    lines: tuple[str, ...]
    sound: NDArray[Any]
    rate_hz: float
    shown_s: float
    springs: SpringMeasurement
    decay: DecayMeasurement
    lag: LagCurve | None
    flatness: tuple[Flatness | None, ...]

    @classmethod
    def of(cls, row: NDArray[Any], path: PathMeasurement, response: Response, lag: LagMeasurement | None) -> _Plate:
        rate_hz = response.rate_hz
        after_click = row[max(round(response.click_at_s * rate_hz), 0) :]
        shown_s = _seconds_to_show(after_click, rate_hz, path.springs.springs)
        cropped = after_click[: round((shown_s + REACH * impulse_s()) * rate_hz)] - np.median(row)
        if shown_s < SHORTEST_S or np.ptp(cropped[: round(shown_s * rate_hz)]) == 0:
            cropped = cropped[:0]
        told = _what_was_found(path, after_click.size / rate_hz, bool(cropped.size))
        lines = textwrap.wrap(told, 165)
        if lag is not None:
            lines += textwrap.wrap("Beside the golden: " + " ".join(about_lag(lag.table(1))), 165)
        drawn = lag.whole if lag is not None and lag.whole.told.any() else None
        firsts = tuple(passes[0] if passes[0].frequency_hz.size else None for passes in path.flatness)
        return cls(tuple(lines), cropped, rate_hz, shown_s, path.springs, path.decay, drawn, firsts)

    @property
    def decays(self) -> list[tuple[BandDecay, NDArray[Any]]]:
        """Bands of which a decay time is told, with the points of their curve to draw; the whole sound first.

        Of third-octaves, those at the mid-bands of octaves: more would hide each other.
        """
        bands = [band for band in self.decay.bands if band.centre_hz in OCTAVES_HZ]
        told = (band for band in (self.decay.whole, *bands) if any(time.seconds for time in band.times.values()))
        curves = ((band, _down_to_foot(band)) for band in told)
        return [(band, shown) for band, shown in curves if shown.size > 1]

    @property
    def panels_top(self) -> float:
        """Inches from the top of the plate to its first panel's heading."""
        return LINE * len(self.lines) + 0.12

    @property
    def echogram_top(self) -> float:
        return self.panels_top + HEADING + LANE * len(self.springs.springs)

    @property
    def lag_height(self) -> float:
        return 0.0 if self.lag is None else HEADING + LAG + GAP + COHERENCE + FOOT

    @property
    def flatness_height(self) -> float:
        return HEADING + FLATNESS + FOOT if any(self.flatness) else 0.0

    @property
    def height(self) -> float:
        if not self.sound.size and not self.decays:
            return self.panels_top + 0.3 + self.lag_height
        return self.echogram_top + ECHOGRAM + GAP + CHIRPS + FOOT + self.flatness_height + self.lag_height


def _seconds_to_show(after_click: NDArray[Any], rate_hz: float, springs: Sequence[Spring]) -> float:
    """Up to a little after the last pass; where there are none, the early response and, if it comes late, its peak."""
    known_s = after_click.size / rate_hz
    if springs:
        return min(1.1 * max(one.time_s for spring in springs for one in spring.passes), known_s)
    early = after_click[: round(LONGEST_S * rate_hz)]
    peak_s = float(np.argmax(np.abs(early))) / rate_hz if early.size else 0.0
    return min(max(DENSE_S, 1.25 * peak_s), LONGEST_S, known_s)


def _what_was_found(path: PathMeasurement, after_click_s: float, drawn: bool) -> str:
    said = [sentence(shorten(plain(path.path)))] if path.path else []
    if path.decay.whole.level_db is None:
        return " ".join([*said, "Silence."])
    springs = path.springs.springs
    if springs:
        arrivals = (f"spring {i} after {1e3 * s.passes[0].time_s:.2f} ms" for i, s in enumerate(springs, start=1))
        said.append(sentence(f"{listed(arrivals)}, at {path.springs.arrival_hz:g} Hz"))
        if abs(path.springs.latency_s or 0.0) > (path.springs.latency_uncertainty_s or 0.0):
            said.append(f"{latency_in_words(path.springs)}.")
    else:
        said.append(sentence(f"No separate passes: {plain(path.springs.why_none)}"))
    for number, spring in enumerate(springs, start=1):
        if spring.transition.frequency_hz is None:
            said.append(sentence(f"No transition of spring {number}: {plain(spring.transition.why_not)}"))
    t30 = path.decay.whole.times["t30"]
    if path.colour.spacing_hz is not None:
        said.append(sentence(colour_in_words(path.colour)))
    said.append(sentence(f"T30 {t30.seconds:.3f} s" if t30.seconds is not None else f"No T30: {plain(t30.why_not)}"))
    if not drawn and after_click_s < SHORTEST_S:
        said.append(f"{1e3 * after_click_s:.2f} ms after the click are too short to draw.")
    elif not drawn:
        said.append(f"Nothing sounds in the first {min(after_click_s, LONGEST_S):.3g} s after the click.")
    return " ".join(said)


# The sheet


@dataclass(frozen=True)
class _Sheet:
    """The figure in inches from its upper left corner."""

    figure: Figure
    height: float

    def axes(self, label: str, left: float, top: float, wide: float, high: float) -> Axes:
        bottom = self.height - top - high
        place = (left / WIDTH, bottom / self.height, wide / WIDTH, high / self.height)
        return self.figure.add_axes(place, label=label)

    def write(self, left: float, top: float, text: str, **look: Any) -> None:
        self.figure.text(left / WIDTH, 1 - top / self.height, text, va="top", **look)


def _write_head(sheet: _Sheet, response: Response, title: str, skew: str) -> None:
    channels, samples = response.samples.shape
    seconds = samples / response.rate_hz
    told = f"{seconds:.2f} s at {response.rate_hz} Hz, {channels} channel{'s' if channels > 1 else ''}."
    told += f" Times count from the click at {1e3 * response.click_at_s:.2f} ms."
    if channels > MOST_CHANNELS:
        told += f" Only the first {MOST_CHANNELS} channels are drawn."
    if skew:
        told += f" Clock skew: {skew}."
    sheet.write(LEFT, 0.2, shorten(plain(title), 90), family="DejaVu Serif", size=13)
    for row, line in enumerate(textwrap.wrap(told, 175)[:2]):
        sheet.write(LEFT, 0.47 + 0.18 * row, line, color=PAPER["soft"], size=9)


def _draw_plate(sheet: _Sheet, plate: _Plate, top: float) -> None:
    from matplotlib.lines import Line2D

    level = 1 - (top - 0.13) / sheet.height
    rule = Line2D([LEFT / WIDTH, 1 - RIGHT / WIDTH], [level, level], color=PAPER["ink"], linewidth=0.7)
    sheet.figure.add_artist(rule)
    for number, line in enumerate(plate.lines):
        sheet.write(LEFT, top + LINE * number, line, family="DejaVu Serif", size=9.5)
    decays = plate.decays
    foot = top + plate.height - plate.lag_height - plate.flatness_height - FOOT
    wide = WIDE if decays or plate.springs.springs else WIDTH - LEFT - RIGHT
    if plate.sound.size:
        _draw_early_response(sheet, plate, top, wide)
    left = LEFT + WIDE + GUTTER if plate.sound.size else LEFT
    wide = WIDTH - left - RIGHT
    upper = top + plate.panels_top
    if plate.springs.springs:
        high = 0.44 * (foot - upper - 2 * HEADING - XLABEL)
        _heading(sheet, left, upper, "Dispersion of the first passes, transition frequency")
        _draw_dispersion(sheet.axes("dispersion", left, upper + HEADING, wide - SIDE_LABELS, high), plate, high)
        upper += HEADING + high + XLABEL
    if decays:
        kind = "octaves" if plate.decay.fraction == 1 else "third-octaves"
        knees = "; ○ knee" if any(band.two_slopes.knee_s is not None for band, _ in decays) else ""
        _heading(sheet, left, upper, f"Decay in {kind} (Hz) and of all above 50 Hz{knees}")
        _draw_decay(sheet.axes("decay", left, upper + HEADING, wide, foot - upper - HEADING), decays, wide)
    if plate.flatness_height:
        _draw_flatness(sheet, plate, foot + FOOT)
    if plate.lag is not None:
        _draw_lag(sheet, plate.lag, top + plate.height - plate.lag_height)


def _draw_flatness(sheet: _Sheet, plate: _Plate, top: float) -> None:
    """Level of each first pass with the smooth line from which ripple departs, and its figures beside it."""
    _heading(
        sheet,
        LEFT,
        top,
        "Level of the first passes over frequency (thin: the line ripple departs from; shade: uncertainty)",
    )
    axes = sheet.axes("flatness", LEFT, top + HEADING, WIDTH - LEFT - RIGHT - FLATNESS_LABELS, FLATNESS)
    read = [(number, flat) for number, flat in enumerate(plate.flatness, start=1) if flat is not None]
    for number, flat in read:
        colour, dashes = SPRING_LINES[number - 1]
        for part in _unbroken(flat.frequency_hz):
            khz, level_db = 1e-3 * flat.frequency_hz[part], flat.level_db[part]
            unsure_db = flat.uncertainty_db[part]
            axes.fill_between(khz, level_db - unsure_db, level_db + unsure_db, color=colour, alpha=0.22, linewidth=0)
            axes.plot(khz, level_db, color=colour, linestyle=dashes, linewidth=1.2, gid=f"{number}.1")
            axes.plot(khz, flat.line_db[part], color=colour, linewidth=0.5, gid=f"line {number}.1")
    levels_db = np.concatenate([flat.level_db for _, flat in read])
    middle_db, half_db = 0.5 * (levels_db.max() + levels_db.min()), max(0.6 * np.ptp(levels_db), 3.0)
    axes.set_ylim(middle_db - half_db, middle_db + half_db)
    axes.set_xlim(0, 1.02e-3 * max(float(flat.frequency_hz[-1]) for _, flat in read))
    axes.set_xlabel("frequency, kHz")
    axes.set_ylabel("level, dB")
    gap = 0.29 / FLATNESS
    for row, (number, flat) in enumerate(read):
        told = f"{number}.1: ripple {flat.ripple_max_db:.1f} dB at most, {flat.ripple_rms_db:.2f} rms\n"
        told += f"tilt {flat.tilt_db_per_octave:+.2f} dB/octave, span {flat.span_db:.1f} dB".replace("-", "−")
        axes.text(
            1.02, 1 - gap * row, told, transform=axes.transAxes, va="top", color=SPRING_LINES[number - 1][0], size=7.5,
            linespacing=1.1,
        )  # fmt: skip


def _draw_lag(sheet: _Sheet, lag: LagCurve, top: float) -> None:
    wide = WIDTH - LEFT - RIGHT
    _heading(sheet, LEFT, top, "Lag behind the golden over time (shade: uncertainty, k = 2), and coherence of the two")
    above = sheet.axes("lag", LEFT, top + HEADING, wide, LAG)
    below = sheet.axes("coherence", LEFT, top + HEADING + LAG + GAP, wide, COHERENCE)
    above.sharex(below)
    late_us, unsure_us = np.full((2, lag.time_s.size), np.nan)
    late_us[lag.told], unsure_us[lag.told] = 1e6 * lag.lag_s, 1e6 * lag.uncertainty_s
    above.fill_between(
        lag.time_s, late_us - unsure_us, late_us + unsure_us, color=PAPER["build"], alpha=0.22, linewidth=0
    )
    above.plot(lag.time_s, late_us, color=PAPER["build"], linewidth=1.0, marker=".", markersize=2, gid="lag")
    low, high = float(np.nanmin(late_us)), float(np.nanmax(late_us))
    room = max(0.1 * (high - low), 0.5)
    above.set_ylim(low - room, high + room)
    above.set_ylabel("late, µs")
    above.tick_params(labelbottom=False)
    below.plot(lag.time_s, lag.coherence, color=PAPER["ink"], linewidth=0.8, gid="coherence")
    below.set_ylim(0, 1.05)
    below.set_xlim(0, float(lag.time_s[-1]))
    below.set_ylabel("coherence")
    below.set_xlabel("time after the click, s")


def _heading(sheet: _Sheet, left: float, top: float, text: str) -> None:
    sheet.write(left, top, text, color=PAPER["soft"], size=8.5)


# Echogram and chirps


def _draw_early_response(sheet: _Sheet, plate: _Plate, top: float, wide: float) -> None:
    springs = plate.springs.springs
    numbered = f", passes as spring.pass at {plate.springs.arrival_hz:g} Hz" if springs else ""
    falling = f" (drawn falling {FALL_DB_PER_MS:g} dB/ms at most)"
    _heading(sheet, LEFT, top + plate.panels_top, f"Echogram{falling} and the same over frequency{numbered}")
    above = sheet.axes("echogram", LEFT, top + plate.echogram_top, wide, ECHOGRAM)
    below = sheet.axes("chirps", LEFT, top + plate.echogram_top + ECHOGRAM + GAP, wide, CHIRPS)
    above.sharex(below)
    _draw_echogram(above, plate)
    _draw_chirps(below, plate)
    below.set_xlim(-0.01e3 * plate.shown_s, 1e3 * plate.shown_s)
    below.set_xlabel("time after the click, ms")


def _draw_echogram(axes: Axes, plate: _Plate) -> None:
    time_ms, level_db = echogram(plate.sound[: round(plate.shown_s * plate.rate_hz)], plate.rate_hz)
    axes.fill_between(time_ms, level_db, -ECHOGRAM_DB, color=PAPER["band"], linewidth=0)
    axes.plot(time_ms, level_db, color="#8a6d2a", linewidth=0.7)
    axes.set_ylim(-ECHOGRAM_DB, 1)
    axes.set_ylabel("level, dB re peak")
    axes.set_yticks(np.arange(-ECHOGRAM_DB, 1, 20))
    axes.tick_params(labelbottom=False)
    springs = plate.springs.springs
    for number, spring in enumerate(springs, start=1):
        colour, dashes = SPRING_LINES[number - 1]
        lane = LANE * (len(springs) - number)
        for one in spring.passes:
            label, at = f"{number}.{one.number}", 1e3 * one.time_s
            reach = 1 + (lane + 0.04) / ECHOGRAM
            axes.axvline(at, 0, reach, color=colour, linestyle=dashes, linewidth=0.9, clip_on=False, gid=label)
            axes.annotate(
                label, (at, reach), xycoords=("data", "axes fraction"), xytext=(0, 1), textcoords="offset points",
                ha="center", va="bottom", color=colour, size=7.5, zorder=4, path_effects=_halo(),
            )  # fmt: skip


def echogram(sound: NDArray[Any], rate_hz: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Peak level of each of some hundred steps of time, as a meter shows it, dB below the largest, down to the foot.

    Parameters
    ----------
    sound : ndarray, shape (samples,)
        From the click on, not all zero.

    Returns
    -------
    time_ms, level_db : ndarray, shape (steps,)
        Middle of each step and its level.
    """
    edges = np.unique(np.linspace(0, sound.size, min(COLUMNS, sound.size) + 1).astype(int))
    peaks = np.maximum.reduceat(np.abs(sound), edges[:-1])
    floor = 10 ** (-ECHOGRAM_DB / 20) * peaks.max()
    time_ms = 500.0 * (edges[1:] + edges[:-1] - 1) / rate_hz
    return time_ms, np.maximum(peak_meter(time_ms, 20 * np.log10(np.maximum(peaks, floor) / peaks.max())), -ECHOGRAM_DB)


def _draw_chirps(axes: Axes, plate: _Plate) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    top_hz = _highest_shown(plate)
    rows_hz = np.linspace(min(LOWEST_HZ, top_hz / 4), top_hz, ROWS)
    level_db = energy_db(plate.sound, plate.rate_hz, plate.shown_s, rows_hz)
    half_ms = 500 * plate.shown_s / (level_db.shape[1] - 1)
    half_khz = 0.5e-3 * (rows_hz[1] - rows_hz[0])
    axes.imshow(
        level_db,
        cmap=LinearSegmentedColormap.from_list("energy", ENERGY_COLOURS),
        vmin=-CHIRPS_DB, vmax=0,
        extent=(-half_ms, 1e3 * plate.shown_s + half_ms, 1e-3 * rows_hz[0] - half_khz, 1e-3 * top_hz + half_khz),
        aspect="auto", origin="lower", interpolation="bilinear",
    )  # fmt: skip
    axes.grid(visible=False)
    axes.set_ylim(1e-3 * rows_hz[0], 1e-3 * top_hz)
    axes.set_ylabel(f"frequency, kHz (shown: up to {1e-3 * top_hz:.2g} of {5e-4 * plate.rate_hz:.4g})")
    for number, spring in enumerate(plate.springs.springs, start=1):
        for one in spring.passes:
            name, line = f"{number}.{one.number}", SPRING_LINES[number - 1]
            # The first passes of two springs may end side by side: one is named above its tip, the other below.
            _draw_pass(axes, name, one.curve, line, 1e3 * plate.shown_s, below=number % 2 == 0)


def _draw_pass(axes: Axes, name: str, curve: DelayCurve, line: tuple[str, Any], end_ms: float, *, below: bool) -> None:
    """A pass, piece by piece, each named at its tip: where a pass is lost for a while it is still the same."""
    colour, dashes = line
    for part in _unbroken(curve.frequency_hz):
        axes.plot(
            1e3 * curve.delay_s[part], 1e-3 * curve.frequency_hz[part],
            color=colour, linestyle=dashes, linewidth=0.9, gid=name,
        )  # fmt: skip
        inside = np.flatnonzero(1e3 * curve.delay_s[part] < 0.97 * end_ms)
        if inside.size:
            tip = part.start + int(inside[-1])
            axes.annotate(
                name, (1e3 * curve.delay_s[tip], 1e-3 * curve.frequency_hz[tip]), xytext=(1, -9 if below else 2),
                textcoords="offset points", color=colour, size=7.5, path_effects=_halo(),
            )  # fmt: skip


def _halo() -> list[Any]:
    """Paper around letters that stand on lines."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=2, foreground=PAPER["paper"])]


def _unbroken(frequency_hz: NDArray[Any]) -> list[slice]:
    """Stretches of a curve without a gap: where it could not be read, no line is drawn."""
    if frequency_hz.size < 2:
        return []
    steps = np.diff(frequency_hz)
    ends = [0, *(np.flatnonzero(steps > 1.5 * steps.min()) + 1), frequency_hz.size]
    return [slice(int(first), int(last)) for first, last in pairwise(ends)]


def _highest_shown(plate: _Plate) -> float:
    reached = [s.transition.frequency_hz or float(s.curve.frequency_hz[-1]) for s in plate.springs.springs]
    wanted = min(1.5 * max(reached), HIGHEST_HZ) if reached else HIGHEST_HZ
    return min(wanted, 0.48 * plate.rate_hz)


def energy_db(sound: NDArray[Any], rate_hz: float, shown_s: float, rows_hz: NDArray[Any]) -> NDArray[Any]:
    """Energy over time in Gaussian bands, each against its own peak.

    Parameters
    ----------
    sound : ndarray, shape (samples,)
        From the click on and somewhat beyond ``shown_s``.
    rows_hz : ndarray, shape (rows,)

    Returns
    -------
    ndarray, shape (rows, columns)
        dB, columns evenly from 0 to ``shown_s``. No band is lifted by more than ``MOST_LIFT_DB`` over the loudest.
    """
    power = energy(sound, rate_hz, rows_hz, np.linspace(0, shown_s, COLUMNS + 1))
    loudest = max(float(power.max()), 1e-300)
    peak = np.maximum(power.max(axis=1, keepdims=True), 10 ** (-MOST_LIFT_DB / 10) * loudest)
    return np.asarray(10 * np.log10(np.maximum(power / peak, 1e-12)))


# Dispersion


def _draw_dispersion(axes: Axes, plate: _Plate, high: float) -> None:
    measured = plate.springs
    top_khz = 1e-3 * _highest_shown(plate)
    later = [_later_ms(spring, measured.arrival_hz) for spring in measured.springs]
    # A curve runs away towards its transition; beyond a doubled delay the chirps show it better.
    most = min(max(float(ms.max()) for ms in later), max(1e3 * s.passes[0].time_s for s in measured.springs))
    least = min(float(ms.min()) for ms in later)
    axes.set_xlim(min(least, 0) - 0.04 * most, 1.04 * most)
    axes.set_ylim(0, top_khz)
    for number, (spring, late_ms) in enumerate(zip(measured.springs, later, strict=True), start=1):
        _draw_curve(axes, f"{number}.1", spring, late_ms, measured.arrival_hz, SPRING_LINES[number - 1])
    axes.plot([0], [1e-3 * measured.arrival_hz], marker="o", markersize=3, color=PAPER["ink"])
    _mark_transitions(axes, measured.springs, top_khz, 0.27 / high * top_khz)
    axes.set_xlabel(f"later than at {measured.arrival_hz:g} Hz, ms (shade: uncertainty, k = 2)")
    axes.set_ylabel("frequency, kHz")


def _later_ms(spring: Spring, arrival_hz: float) -> NDArray[Any]:
    curve = spring.curve
    return np.asarray(1e3 * (curve.delay_s - np.interp(arrival_hz, curve.frequency_hz, curve.delay_s)))


def _draw_curve(
    axes: Axes, label: str, spring: Spring, late_ms: NDArray[Any], arrival_hz: float, line: tuple[str, Any]
) -> None:
    curve = spring.curve
    at_arrival_s = float(np.interp(arrival_hz, curve.frequency_hz, curve.uncertainty_s))
    unsure_ms = 1e3 * np.hypot(curve.uncertainty_s, at_arrival_s)
    colour, dashes = line
    for part in _unbroken(curve.frequency_hz):
        khz = 1e-3 * curve.frequency_hz[part]
        axes.fill_betweenx(
            khz, (late_ms - unsure_ms)[part], (late_ms + unsure_ms)[part], color=colour, alpha=0.22, linewidth=0
        )
        axes.plot(late_ms[part], khz, color=colour, linestyle=dashes, linewidth=1.2, gid=label)


def _mark_transitions(axes: Axes, springs: Sequence[Spring], top_khz: float, gap: float) -> None:
    """A line across at each transition frequency, named beside the panel; a spring without one is named at its end."""
    corners = [spring.transition.frequency_hz for spring in springs]
    wanted = [
        1e-3 * (corner or float(spring.curve.frequency_hz[-1])) for spring, corner in zip(springs, corners, strict=True)
    ]
    places = spread(wanted, gap, gap / 2, top_khz - gap / 2)
    for number, (corner, khz, place) in enumerate(zip(corners, wanted, places, strict=True), start=1):
        colour, dashes = SPRING_LINES[number - 1]
        if corner is not None:
            axes.axhline(khz, color=colour, linestyle=dashes, linewidth=0.6, gid=f"transition {number}")
        told = f"spring {number}\n{corner:.0f} Hz" if corner is not None else f"spring {number}\nno transition"
        axes.annotate(
            told, (1, khz), xycoords=("axes fraction", "data"), xytext=(1.06, place),
            textcoords=("axes fraction", "data"), va="center", color=colour, size=7.5,
            linespacing=1.05, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1, "shrinkB": 0},
        )  # fmt: skip


# Distortion


def _shows(distortion: Distortion) -> bool:
    """Whether any order stands above the noise."""
    return any(one.frequency_hz.size for one in distortion.orders)


def _draw_distortion(axes: Axes, distortion: Distortion) -> None:
    """Percent over the frequency that excites; what was below the noise is named beside, not drawn."""
    from matplotlib.ticker import LogLocator, NullFormatter

    assert distortion.total is not None
    axes.set_xscale("log")
    axes.set_yscale("log")
    looks: list[tuple[str, Any]] = [*SPRING_LINES[1:], ("#8f7d5c", "-")]
    lines = [(ORDINALS[one.order], one, look) for one, look in zip(distortion.orders, looks, strict=True)]
    for name, one, (colour, dashes) in [("total", distortion.total, SPRING_LINES[0]), *lines]:
        if one.frequency_hz.size:
            axes.plot(
                one.frequency_hz, 100 * one.ratio, color=colour, linestyle=dashes, linewidth=1.2, gid=name, label=name,
                marker=".", markersize=3,
            )  # fmt: skip
    missing = [name for name, one, _ in lines if not one.frequency_hz.size]
    if missing:
        told = f"{listed(missing)} within the noise"
        axes.text(0.99, 0.97, told, transform=axes.transAxes, ha="right", va="top", color=PAPER["soft"], size=7.5)
    axes.legend(loc="lower right", bbox_to_anchor=(1, 0.97), ncols=5, frameon=False, fontsize=7.5)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(lambda value, _: f"{value:g}")
        axis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("frequency that excites, Hz")
    axes.set_ylabel("distortion, %")


# Decay


def _down_to_foot(band: BandDecay) -> NDArray[Any]:
    """Indices of the points of a decay curve to draw: from the click to the foot of the picture, not too many."""
    if not band.curve_s.size:
        return np.zeros(0, dtype=int)
    below = np.flatnonzero(band.curve_db < -DECAY_DB)
    end = int(below[0]) if below.size else band.curve_s.size
    shown = np.flatnonzero(band.curve_s[:end] >= 0)
    picked = shown[:: max(shown.size // COLUMNS, 1)]
    return np.union1d(picked, shown[-1:])


def _draw_decay(axes: Axes, decays: list[tuple[BandDecay, NDArray[Any]]], wide: float) -> None:
    """Curves of all bands; a thin line leads from where they end to their names below."""
    octaves = max(sum(band.centre_hz is not None for band, _ in decays), 2)
    end_s = 1.1 * max(float(band.curve_s[shown[-1]]) for band, shown in decays)
    gap = 0.31 / wide * end_s
    tips_s = [float(band.curve_s[shown[-1]]) for band, shown in decays]
    places = spread(tips_s, gap, gap / 2, end_s - gap / 2)
    foot, lane = -DECAY_DB, -DECAY_DB - 0.62 * LABELS_DB
    for members in _meeting(tips_s, 0.5 * gap):
        # Curves that end together share a line, which ends in a bracket over their names.
        tip_s = float(np.mean([tips_s[index] for index in members]))
        tip_db = min(float(decays[index][0].curve_db[decays[index][1][-1]]) for index in members)
        names_s = [places[index] for index in members]
        middle_s = float(np.mean(names_s))
        thin = {"color": PAPER["soft"], "linewidth": 0.5}
        axes.plot([tip_s, tip_s, middle_s], [tip_db, foot, lane + 1], linestyle=(0, (1, 1.5)), **thin)
        if len(members) > 1:
            axes.plot([min(names_s) - 0.35 * gap, max(names_s) + 0.35 * gap], [lane + 1] * 2, **thin)
    whole = [band.centre_hz is None for band, _ in decays]
    for index, (band, shown) in enumerate(decays):
        colour = PAPER["ink"] if whole[index] else _tone((index - sum(whole)) / (octaves - 1))
        axes.plot(
            band.curve_s[shown], band.curve_db[shown],
            color=colour, linewidth=2.2 if whole[index] else 0.9, zorder=3 if whole[index] else 2, gid=_band_name(band),
        )  # fmt: skip
        two = band.two_slopes
        if two.knee_s is not None and two.knee_db is not None:
            axes.plot(
                [two.knee_s], [two.knee_db], marker="o", markersize=5, color=colour,
                markerfacecolor=PAPER["paper"], zorder=4, gid=f"knee {_band_name(band)}",
            )  # fmt: skip
        weight = "bold" if whole[index] else "normal"
        axes.text(places[index], lane, _band_name(band), ha="center", va="top", color=colour, size=7, weight=weight)
    axes.set_xlim(0, end_s)
    axes.set_ylim(-DECAY_DB - 1.25 * LABELS_DB, 1)
    axes.set_yticks(np.arange(-60, 1, 20))
    axes.set_xlabel("time after the click, s")
    axes.set_ylabel("level, dB")


def _meeting(tips: Sequence[float], near: float) -> list[list[int]]:
    """Indices of tips, together where each is near the one before it."""
    order = [int(index) for index in np.argsort(tips, kind="stable")]
    groups = [order[:1]]
    for before, index in pairwise(order):
        if tips[index] - tips[before] < near:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def _band_name(band: BandDecay) -> str:
    if band.centre_hz is None:
        return "all"
    return f"{band.centre_hz:g}" if band.centre_hz < 1000 else f"{band.centre_hz / 1000:g}k"


def _tone(share: float) -> str:
    from matplotlib.colors import LinearSegmentedColormap, to_hex

    return to_hex(LinearSegmentedColormap.from_list("bands", BAND_COLOURS)(min(share, 1.0)))


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places for labels, ``gap`` apart and near to where they are wanted, between low and high if they fit."""
    order = np.argsort(wanted, kind="stable")
    slots = gap * np.arange(order.size)
    # Without the gaps the places need only not fall: labels that would overlap share the mean of where they want to be.
    groups: list[list[float]] = []
    for value in np.asarray(wanted, dtype=float)[order] - slots:
        groups.append([float(value)])
        while len(groups) > 1 and np.mean(groups[-2]) > np.mean(groups[-1]):
            groups[-2:] = [groups[-2] + groups[-1]]
    level = np.concatenate([np.full(len(group), np.mean(group)) for group in groups])
    places = np.empty(order.size)
    places[order] = np.clip(level, low, max(high - slots[-1], low)) + slots
    return [float(place) for place in places]
