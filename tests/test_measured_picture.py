"""The picture of a measurement shows what was measured, where it was measured, and nothing where nothing was.

The spring is made in the frequency domain with a delay of T/√(1 − (f/f_C)²) per trip and passes of 1, 3 and 5 trips,
so that its arrivals, its curves and its transition are known in closed form.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest

from reverdict.errors import BadInput
from reverdict.measure.colour import Colour
from reverdict.measure.measurement import Measurement, lags_beside, measure
from reverdict.report.pictures import measured as measured_picture
from reverdict.report.pictures import paper
from reverdict.report.pictures.measured import draw, echogram, energy_db, figure_of, spread
from reverdict.words import Response

RATE = 24000
TRIP_S, CORNER_HZ = 0.030, 4000.0
PNG = b"\x89PNG\r\n\x1a\n"


def later_s(hz: Any, trips: int = 1) -> Any:
    """Group delay of the spring after ``trips`` trips, closed form."""
    return trips * TRIP_S / np.sqrt(1 - (np.asarray(hz) / CORNER_HZ) ** 2)


@pytest.fixture(scope="module")
def spring() -> Response:
    """One spring over faint noise, 0.6 s."""
    size = 2 * RATE
    hz = np.fft.rfftfreq(size, 1 / RATE)
    inside = np.minimum(hz, 0.95 * CORNER_HZ)
    phase = 2 * np.pi * TRIP_S * CORNER_HZ * np.arcsin(inside / CORNER_HZ)  # 2π ∫ τ df
    band = np.clip(hz / 150, 0, 1) ** 2 * np.clip((0.94 * CORNER_HZ - hz) / 400, 0, 1) ** 2
    passes = (sign * 0.8**trips * np.exp(-1j * trips * phase) for sign, trips in ((1, 1), (-1, 3), (1, 5)))
    sound = np.fft.irfft(band * sum(passes), size)[: round(0.6 * RATE)]
    noise = np.random.default_rng(1).standard_normal(sound.size)
    return Response((sound + 1e-3 * np.abs(sound).max() * noise)[None], RATE)


@pytest.fixture(scope="module")
def found(spring: Response) -> Measurement:
    measured = measure(spring)
    assert [len(one.passes) for one in measured.paths[0].springs.springs] == [3]
    return measured


def dense(seconds: float = 1.0, rate: int = RATE, t60_s: float = 0.5) -> Response:
    """Noise that decays by 60 dB in ``t60_s``."""
    time_s = np.arange(round(seconds * rate)) / rate
    noise = np.random.default_rng(2).standard_normal(time_s.size)
    return Response((noise * 10 ** (-3 * time_s / t60_s))[None], rate)


def panels(figure: Any) -> dict[str, Any]:
    return {axes.get_label(): axes for axes in figure.axes}


def lines(axes: Any, gid: str) -> list[Any]:
    return [line for line in axes.lines if line.get_gid() == gid]


def written(figure: Any) -> str:
    return " ".join(text.get_text() for text in figure.texts)


def test_marks_stand_where_the_passes_were_measured(spring: Response, found: Measurement) -> None:
    shown = panels(figure_of(spring, found, "spring"))
    assert list(shown) == ["echogram", "chirps", "dispersion", "decay", "flatness"]
    for one in found.paths[0].springs.springs[0].passes:
        (mark,) = lines(shown["echogram"], f"1.{one.number}")
        assert set(mark.get_xdata()) == {1e3 * one.time_s}
        assert one.time_s == pytest.approx(later_s(500.0, one.trips), abs=2e-4)  # closed form
    labels = [text.get_text() for text in shown["echogram"].texts]
    assert labels == ["1.1", "1.2", "1.3"]


def test_echogram_and_chirps_share_their_time_axis(spring: Response, found: Measurement) -> None:
    shown = panels(figure_of(spring, found, "spring"))
    assert shown["echogram"].get_xlim() == shown["chirps"].get_xlim()
    assert shown["chirps"].get_xlim()[1] > 1e3 * found.paths[0].springs.springs[0].passes[-1].time_s
    upper, lower = shown["echogram"].get_position(), shown["chirps"].get_position()
    assert (upper.x0, upper.x1) == (lower.x0, lower.x1)
    assert upper.y0 > lower.y1


@pytest.mark.parametrize(("label", "trips"), [("1.1", 1), ("1.2", 3)])
def test_curves_lie_on_the_energy_of_their_pass(spring: Response, found: Measurement, label: str, trips: int) -> None:
    shown = panels(figure_of(spring, found, "spring"))
    (image,) = shown["chirps"].images
    assert image.origin == "lower"  # frequency runs upward
    level_db = np.asarray(image.get_array())
    left, right, low, high = image.get_extent()

    def level_at(time_ms: Any, khz: Any) -> Any:
        column = (np.asarray(time_ms) - left) / (right - left) * level_db.shape[1]
        row = (np.asarray(khz) - low) / (high - low) * level_db.shape[0]
        return level_db[row.astype(int), column.astype(int)]

    for line in lines(shown["chirps"], label):
        time_ms, khz = line.get_data()
        assert time_ms == pytest.approx(1e3 * later_s(1e3 * khz, trips), abs=0.6)  # closed form
    khz = np.linspace(0.4, 2.5, 30)
    assert level_at(1e3 * later_s(1e3 * khz, trips), khz).min() > -15
    assert level_at(1e3 * later_s(1e3 * khz, trips) - 10, khz).max() < -25


def test_dispersion_counts_from_the_arrival_and_marks_the_transition(spring: Response, found: Measurement) -> None:
    dispersion = panels(figure_of(spring, found, "spring"))["dispersion"]
    late_ms = np.concatenate([line.get_xdata() for line in lines(dispersion, "1.1")])
    khz = np.concatenate([line.get_ydata() for line in lines(dispersion, "1.1")])
    assert np.interp(0.5, khz, late_ms) == pytest.approx(0, abs=1e-9)
    assert np.interp(2.5, khz, late_ms) == pytest.approx(1e3 * (later_s(2500.0) - later_s(500.0)), abs=0.1)
    corner_hz = found.paths[0].springs.springs[0].transition.frequency_hz
    assert corner_hz is not None
    (across,) = lines(dispersion, "transition 1")
    assert set(across.get_ydata()) == {1e-3 * corner_hz}
    assert [text.get_text() for text in dispersion.texts] == [f"spring 1\n{corner_hz:.0f} Hz"]


def test_a_spring_without_transition_says_why(spring: Response, found: Measurement) -> None:
    path = found.paths[0]
    one = path.springs.springs[0]
    lame = replace(one, transition=replace(one.transition, frequency_hz=None, why_not="delay rises only 3 %"))
    without = Measurement((replace(path, springs=replace(path.springs, springs=(lame,))),))
    figure = figure_of(spring, without, "spring")
    dispersion = panels(figure)["dispersion"]
    assert not lines(dispersion, "transition 1")
    assert dispersion.texts[0].get_text() == "spring 1\nno transition"
    assert "No transition of spring 1: delay rises only 3 %." in written(figure)


def test_no_line_bridges_what_could_not_be_read(spring: Response, found: Measurement) -> None:
    path = found.paths[0]
    one = path.springs.springs[0]
    curve = one.curve
    known = (curve.frequency_hz < 1000) | (curve.frequency_hz > 1600)
    holed = replace(
        curve,
        **{name: getattr(curve, name)[known] for name in ("frequency_hz", "delay_s", "uncertainty_s", "level_db")},
    )
    broken = replace(one, passes=(replace(one.passes[0], curve=holed), *one.passes[1:]))
    measured = Measurement((replace(path, springs=replace(path.springs, springs=(broken,))),))
    shown = panels(figure_of(spring, measured, "spring"))
    for axes in (shown["chirps"], shown["dispersion"]):
        parts = [line.get_ydata() for line in lines(axes, "1.1")]
        assert len(parts) == 2
        assert not any(part.min() < 1.3 < part.max() for part in parts)
    named_khz = [text.xy[1] for text in shown["chirps"].texts if text.get_text() == "1.1"]
    assert len(named_khz) == 2  # each piece at its tip
    assert 0.9 < named_khz[0] < 1.0


def test_what_lies_above_the_picture_is_said_on_its_axis(spring: Response, found: Measurement) -> None:
    fast = dense(0.3, 96000)
    label = panels(figure_of(fast, measure(fast), "noise"))["chirps"].get_ylabel()
    assert label == "frequency, kHz (shown: up to 8 of 48)"
    assert panels(figure_of(spring, found, "spring"))["chirps"].get_ylabel().endswith("of 12)")


def test_curves_that_end_together_share_a_leader() -> None:
    response = dense()
    decay = panels(figure_of(response, measure(response), "noise"))["decay"]
    leaders = [line for line in decay.lines if len(line.get_xdata()) == 3]
    assert len(decay.texts) == 8
    starts = [line.get_xdata()[0] for line in leaders]
    assert 1 <= len(leaders) < 8
    assert len(starts) == len(set(starts))


def test_dense_response_has_its_reason_and_no_empty_panel() -> None:
    response = dense()
    measured = measure(response)
    figure = figure_of(response, measured, "noise")
    shown = panels(figure)
    assert list(shown) == ["echogram", "chirps", "decay"]
    assert measured.paths[0].springs.why_none in written(figure)
    assert not shown["echogram"].texts
    (whole,) = lines(shown["decay"], "all")
    time_s, level_db = whole.get_data()
    assert np.interp(60, -level_db, time_s) == pytest.approx(0.5, rel=0.05)  # T60 of the noise as made
    names = {text.get_text() for text in shown["decay"].texts}
    assert names == {"all", "125", "250", "500", "1k", "2k", "4k", "8k"}


def test_a_knee_stands_where_two_slopes_were_measured() -> None:
    time_s = np.arange(2 * RATE) / RATE
    level = np.sqrt(10 ** (-6 * time_s / 0.3) + 1e-3 * 10 ** (-6 * time_s / 1.5))
    response = Response((level * np.random.default_rng(4).standard_normal(time_s.size))[None], RATE)
    measured = measure(response)
    decay = panels(figure_of(response, measured, "coupled"))["decay"]
    band = measured.paths[0].decay.bands[3]
    (knee,) = lines(decay, "knee 1k")
    assert (knee.get_xdata(), knee.get_ydata()) == ([band.two_slopes.knee_s], [band.two_slopes.knee_db])
    on_curve_db = np.interp(band.two_slopes.knee_s, band.curve_s, band.curve_db)
    assert on_curve_db == pytest.approx(band.two_slopes.knee_db, abs=1.0)
    plain = dense()
    assert not [line for line in panels(figure_of(plain, measure(plain), "one"))["decay"].lines
                if str(line.get_gid()).startswith("knee")]  # fmt: skip


def test_of_third_octaves_only_those_of_octaves_are_drawn() -> None:
    response = dense()
    decay = panels(figure_of(response, measure(response, fraction=3), "thirds"))["decay"]
    names = {text.get_text() for text in decay.texts}
    assert names == {"all", "125", "250", "500", "1k", "2k", "4k", "8k"}


def test_a_silent_channel_is_said_and_not_drawn(tmp_path: Path) -> None:
    sound = dense(0.5).samples
    response = Response(np.vstack([sound, 0 * sound]), RATE, 0.0, ("left", "right"))
    figure = figure_of(response, measure(response), "half")
    assert [axes.get_label() for axes in figure.axes] == ["echogram", "chirps", "decay"]
    assert "Right. Silence." in written(figure)
    mute = Response(np.zeros((1, RATE)), RATE)
    draw(mute, measure(mute), tmp_path / "mute.png", title="mute")
    assert (tmp_path / "mute.png").read_bytes().startswith(PNG)
    assert figure_of(mute, measure(mute), "mute").axes == []


@pytest.mark.parametrize("frames", [1, 10, 80, 400])
def test_short_records_are_drawn_or_said_to_be_too_short(frames: int, tmp_path: Path) -> None:
    whole = dense(0.05, 8000, 0.05)
    response = Response(whole.samples[:, :frames], 8000)
    measured = measure(response)
    draw(response, measured, tmp_path / "short.png", title="short")
    figure = figure_of(response, measured, "short")
    assert ("too short to draw" in written(figure)) == (frames < 16)  # 2 ms at 8 kHz
    assert ("chirps" in panels(figure)) == (frames >= 16)


def test_what_comes_late_is_shown_up_to_its_peak() -> None:
    time_s = np.arange(RATE) / RATE
    noise = np.random.default_rng(3).standard_normal(time_s.size)
    response = Response((noise * np.exp(-(((time_s - 0.6) / 0.02) ** 2)))[None], RATE)
    shown = panels(figure_of(response, measure(response), "reversed"))
    assert shown["echogram"].get_xlim()[1] > 620


def test_only_the_shown_time_is_analysed(monkeypatch: pytest.MonkeyPatch) -> None:
    sizes = []

    def counted(sound: Any, rate_hz: float, shown_s: float, rows_hz: Any) -> Any:
        sizes.append(sound.size)
        return energy_db(sound, rate_hz, shown_s, rows_hz)

    early = dense()
    measured = measure(early)
    long = Response(np.pad(early.samples, ((0, 0), (0, 60 * RATE))), RATE)
    monkeypatch.setattr(measured_picture, "energy_db", counted)
    figure_of(long, measured, "long")
    assert sizes == [pytest.approx(0.255 * RATE, rel=0.02)]


def test_echogram_levels() -> None:
    sound = np.zeros(6000)
    sound[[0, 3000, 4500]] = 1.0, -0.1, 1e-5
    time_ms, level_db = echogram(sound, RATE)
    at = {ms: level_db[np.argmin(np.abs(time_ms - ms))] for ms in (0, 125, 187.5, 220)}
    assert at[0] == pytest.approx(0)
    assert at[125] == pytest.approx(-20)  # a tenth
    assert at[187.5] == at[220] == pytest.approx(-60)  # the foot
    since = (time_ms > 126) & (time_ms < 132)
    assert np.diff(level_db[since]) / np.diff(time_ms[since]) == pytest.approx(-5)  # dB per ms, as a meter falls


def test_energy_of_a_tone_burst_lies_at_its_time_and_frequency() -> None:
    time_s = np.arange(round(0.3 * RATE)) / RATE
    burst = np.sin(2 * np.pi * 2000 * time_s) * np.exp(-0.5 * ((time_s - 0.12) / 0.004) ** 2)
    rows_hz = np.linspace(100, 4000, 40)
    level_db = energy_db(burst, RATE, 0.25, rows_hz)
    assert np.isfinite(level_db).all()
    column = np.argmax(level_db[np.argmin(np.abs(rows_hz - 2000))])
    assert column / (level_db.shape[1] - 1) * 0.25 == pytest.approx(0.12, abs=0.0005)
    loud = rows_hz[level_db.max(axis=1) > -1]
    assert loud.min() > 1500  # rows are lifted, though only where there is something to lift
    assert loud.max() < 2500
    assert level_db[rows_hz > 3000].max() < -40


def test_an_offset_of_the_recording_does_not_show() -> None:
    clean = dense()
    measured = measure(clean)
    shifted = replace(clean, samples=clean.samples + 0.3)
    (with_it, without) = (
        np.asarray(panels(figure_of(one, measured, "noise"))["chirps"].images[0].get_array())
        for one in (shifted, clean)
    )
    assert with_it == pytest.approx(without, abs=0.01)


def test_labels_are_spread_in_order_without_leaving_their_room() -> None:
    assert spread([1.0, 5.0], 1.0, 0.0, 10.0) == [1.0, 5.0]
    assert spread([5.0, 5.0], 1.0, 0.0, 10.0) == pytest.approx([4.5, 5.5])
    assert spread([9.9, 0.1, 9.9], 1.0, 0.0, 10.0) == pytest.approx([9.0, 0.1, 10.0])
    crowd = spread([3.0] * 5, 1.0, 2.5, 10.0)
    assert crowd == pytest.approx([2.5, 3.5, 4.5, 5.5, 6.5])


def test_nothing_is_left_beside_the_picture(spring: Response, found: Measurement, tmp_path: Path) -> None:
    target = tmp_path / "spring.PNG"
    target.write_text("old")
    draw(spring, found, target, title="spring")
    assert target.read_bytes().startswith(PNG)
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("name", ["spring.jpg", "spring", "no-such-folder/spring.png", "folder.png"])
def test_bad_targets(spring: Response, found: Measurement, name: str, tmp_path: Path) -> None:
    (tmp_path / "folder.png").mkdir()
    with pytest.raises(BadInput, match=name.split(".")[0]):
        draw(spring, found, tmp_path / name, title="spring")
    assert [path.name for path in tmp_path.iterdir()] == ["folder.png"]


def test_hostile_names_are_written_as_they_are(tmp_path: Path) -> None:
    response = replace(dense(0.2), paths=("$\\frac{$",))
    measured = measure(response)
    title = "$x^{2 \\$ <b>&\u202e\udcff\n 漢字.wav"
    draw(response, measured, tmp_path / "x.png", title=title)
    told = written(figure_of(response, measured, title))
    assert "$x^{2 \\$ <b>&\\u202e\\udcff 漢字.wav" in told
    assert "$\\frac{$." in told
    long = figure_of(response, measured, "a" * 5000).texts[0].get_text()
    assert len(long) == 90


def test_the_users_own_matplotlib_settings_neither_matter_nor_change(tmp_path: Path) -> None:
    response = dense(0.2)
    measured = measure(response)
    with mpl.rc_context({"text.usetex": True, "axes.facecolor": "red", "figure.dpi": 30}):
        before = dict(mpl.rcParams)
        figure = figure_of(response, measured, "noise")
        draw(response, measured, tmp_path / "noise.png", title="noise")
        assert dict(mpl.rcParams) == before
    assert mpl.colors.to_hex(figure.axes[0].get_facecolor()) == paper.PAPER["paper"]


def test_many_channels_stand_below_each_other_up_to_a_limit() -> None:
    sound = dense(0.1).samples
    names = tuple(f"channel {number}" for number in range(1, 19))
    one = measure(Response(sound, RATE)).paths[0]
    measured = Measurement(tuple(replace(one, path=name) for name in names))
    response = Response(np.repeat(sound, 18, axis=0), RATE, 0.0, names)
    figure = figure_of(response, measured, "many")
    echograms = [axes for axes in figure.axes if axes.get_label() == "echogram"]
    assert len(echograms) == 16
    assert "Only the first 16 channels are drawn." in written(figure)
    heights = [axes.get_position().height * figure.get_figheight() for axes in echograms]
    assert heights == pytest.approx([heights[0]] * 16)
    assert heights[0] > 1  # inches


def test_the_level_of_first_passes_is_drawn_as_measured(spring: Response, found: Measurement) -> None:
    flat = found.paths[0].flatness[0][0]
    axes = panels(figure_of(spring, found, "spring"))["flatness"]
    drawn = np.concatenate([line.get_ydata() for line in lines(axes, "1.1")])
    assert np.array_equal(drawn, flat.level_db)
    assert f"ripple {flat.ripple_max_db:.1f} dB" in axes.texts[0].get_text()


def test_colour_is_said(spring: Response, found: Measurement) -> None:
    colour = Colour(200.0, 0.1, 9.5, 0.2, 150.0, 20000.0)
    metallic = Measurement((replace(found.paths[0], colour=colour),))
    assert "Metallic, with spectral peaks 200.00" in written(figure_of(spring, metallic, "spring"))
    assert "etallic" not in written(figure_of(spring, found, "spring"))


def test_the_lag_behind_a_golden_stands_at_the_foot(spring: Response, found: Measurement) -> None:
    late = replace(spring, samples=np.roll(spring.samples, 2, axis=1))
    (lag,) = lags_beside(spring, late)
    figure = figure_of(spring, found, "spring", [lag])
    shown = panels(figure)
    assert list(shown) == ["echogram", "chirps", "dispersion", "decay", "flatness", "lag", "coherence"]
    (curve,) = lines(shown["lag"], "lag")
    assert np.nanmedian(curve.get_ydata()) == pytest.approx(2e6 / spring.rate_hz, abs=0.1)
    assert shown["lag"].get_position().y1 < shown["chirps"].get_position().y0
    assert "µs late at the click" in written(figure)
