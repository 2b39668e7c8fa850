"""Fits of the usual spring algorithm: truths whose numbers are known, the demo's builds, real tanks, the command.

Truths come from ``algorithm_truth``, which shares no code with the fit. U is expanded, k = 2.
"""

from __future__ import annotations

import json
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit
from numpy.typing import NDArray

import spring_truth
from algorithm_truth import Algorithm, respond
from reverdict.command_line import main
from reverdict.commands.targets import prove_file
from reverdict.demo.physical_springs import impulse_response
from reverdict.fit import SpringFit, TankFit, TankModel, TripModel, Value, agreement, fit_tank, synthesise
from reverdict.fit.spectrum import damped, modelled, names_of, numbers_of, with_numbers
from reverdict.measure.springs import find_springs
from reverdict.sound import write_sound
from test_recordings import TANKS, recording

WORKSHOP = Path(main.__code__.co_filename).parent / "demo" / "workshop"

FIRST = Algorithm(1040, 100, 0.62, 5, -0.85, 4500, edge_hz=4050)
SECOND = Algorithm(1456.3, 90, 0.57, 5.6, -0.8, 4000, edge_hz=3600, level_db=-2.0, polarity=-1)
THIRD = Algorithm(1850, 110, 0.5, 6, -0.82, 3500, order=1, edge_hz=3400, level_db=-1.0)
PLAIN = Algorithm(1040, 100, 0.62, 5, -0.85, 3500)

TANK = TankModel(
    (
        TripModel(0.0201, 4800.0, ((99.5, 0.6), (40.0, 0.2)), -0.87, 2.0, 5e-5, 9e-10, 3.8e-5),
        TripModel(0.0297, 4100.0, ((80.0, 0.5),), -0.8, -1.5, 6e-5, 1e-9, 4e-5),
    ),
    "1:3:5",
    -0.02,
    500.0,
    9e4,
    0.0,
    1e-4,
)


def close(found: Value | None, truth: float, share: float = 1.0) -> bool:
    return found is not None and abs(found.value - truth) <= share * found.uncertainty


def errors(found: SpringFit, one: Algorithm, rate_hz: int) -> dict[str, tuple[float, float, float]]:
    """Truth, error and U of each number of a spring."""
    truths = {
        "delay, samples": (one.line, found.delay_s, rate_hz),
        "sections": (one.sections, found.groups[0].sections, 1),
        "coefficient": (one.coefficient, found.groups[0].coefficient, 1),
        "stretch": (one.stretch, found.stretch, 1),
        "reflection, dB": (20 * np.log10(abs(one.reflection)), found.reflection_db, 1),
        "level, dB": (one.level_db, found.level_db, 1),
    }
    return {
        name: (truth, unit * value.value - truth, unit * value.uncertainty)
        for name, (truth, value, unit) in truths.items()
    }


@cache
def fitted(name: str) -> TankFit:
    """A build of the demo, fitted."""
    sys.path.insert(0, str(WORKSHOP))
    import workshop
    import workshop_blocks

    changes: dict[str, Any] = {
        "release-1.0": {},
        "fewer-sections": {"sections_share": 0.5, "damping_scale": 1.063, "trim_db": -0.2},
        "raised-feedback": {"feedback_db": 0.3},
        "drifted-refactor": {},
    }
    module = workshop_blocks if name == "drifted-refactor" else workshop
    reverb = module.Reverb(48000, program="tank", **changes[name])
    click = np.zeros((1, 72000))
    click[0, 0] = 1.0
    sound = np.concatenate([reverb.process(click[:, at : at + 512]) for at in range(0, 72000, 512)], axis=1)
    return fit_tank(sound[0], 48000)


# The model


@pytest.mark.parametrize("law", ["1:3:5", "1:2:3"])
def test_derivatives_are_those_of_the_model(law: str) -> None:
    tank = with_numbers(TankModel(TANK.springs, law), numbers_of(TANK))
    part = damped(np.zeros(4000), 48000, 12.0, (200.0, 4000.0))
    slopes, numbers = modelled(tank, part)[1], numbers_of(tank)
    for index, name in enumerate(names_of(tank)):
        step = np.zeros(numbers.size)
        step[index] = 1e-6 * abs(numbers[index])
        above, below = (modelled(with_numbers(tank, numbers + d), part)[0] for d in (step, -step))
        by_difference = (above - below) / (2 * step[index])
        assert np.linalg.norm(by_difference - slopes[index]) < 1e-5 * np.linalg.norm(slopes[index]), name


@pytest.mark.parametrize(("law", "rate_hz"), [("1:3:5", 48000), ("1:2:3", 44100)])
def test_the_model_sounds_like_the_algorithm(law: str, rate_hz: int) -> None:
    def model_of(one: Algorithm) -> TripModel:
        corner = 2 * rate_hz * np.tan(np.pi * one.lowpass_hz / rate_hz)
        assert one.edge_hz is not None
        return TripModel(
            one.line / rate_hz, rate_hz / (2 * one.stretch), ((one.sections, one.coefficient),), one.reflection,
            one.polarity * 10 ** (one.level_db / 20), np.sqrt(2) / corner, corner**-2,
            1 / (2 * rate_hz * np.tan(np.pi * one.edge_hz / rate_hz)),
        )  # fmt: skip

    truth = respond((FIRST, SECOND), rate_hz, law, crosstalk=0.01)
    highpass = 2 * rate_hz * np.tan(np.pi * 80 / rate_hz)
    again = synthesise(TankModel((model_of(FIRST), model_of(SECOND)), law, 0.0, highpass, 0.0, 0.01), rate_hz, 1.2)
    assert again.size == truth.size
    assert np.abs(again - truth).max() < 1e-5 * np.abs(truth).max()


# Truths


@pytest.mark.few(3)
@pytest.mark.parametrize(
    ("springs", "rate_hz", "law", "noise_db"),
    [
        ((FIRST,), 48000, "1:3:5", -80.0),
        ((FIRST,), 44100, "1:2:3", -60.0),
        ((PLAIN,), 48000, "1:3:5", -70.0),
        ((FIRST, SECOND), 48000, "1:3:5", -60.0),
        ((FIRST, SECOND), 44100, "1:2:3", -50.0),
        ((FIRST, SECOND, THIRD), 48000, "1:3:5", -60.0),
    ],
)
def test_numbers_of_an_algorithm(springs: tuple[Algorithm, ...], rate_hz: int, law: str, noise_db: float) -> None:
    fit = fit_tank(respond(springs, rate_hz, law, 1.5, noise_db, crosstalk=0.01), rate_hz)
    assert len(fit.springs) == len(springs)
    assert close(fit.direct, 0.01, 1.5)
    for one, found in zip(springs, fit.springs, strict=True):
        told = errors(found, one, rate_hz)
        print(f"\n{len(springs)} {law} {rate_hz} {noise_db:.0f}:", end=" ")
        print("; ".join(f"{name} {off:+.2g} ± {u:.2g}" for name, (_, off, u) in told.items()))
        # k = 2 holds nineteen of twenty; all six numbers of each spring within half as much again.
        assert all(abs(off) <= 1.5 * u + 1e-6 for _, off, u in told.values()), told
        assert abs(told["delay, samples"][1]) < 0.5
        assert abs(told["sections"][1]) < 0.03 * one.sections
        assert abs(told["reflection, dB"][1]) < 0.02
        assert found.polarity == one.polarity
        assert found.reflection_polarity == -1


def test_a_click_between_two_samples_counts() -> None:
    """And so does latency: the click is told 0.4 samples early, every pass is then that much late."""
    sound = respond((FIRST,), 48000, "1:3:5", 1.0, -70.0)
    fit = fit_tank(np.concatenate([np.zeros(100), sound]), 48000, 99.6 / 48000)
    assert 48000 * fit.springs[0].delay_s.value == pytest.approx(1040.0, abs=0.05)
    assert fit.latency is not None
    assert 48000 * fit.latency.value == pytest.approx(0.4, abs=0.02)


def test_at_96_khz() -> None:
    twice = Algorithm(2080, 100, 0.62, 10, -0.85, 4500, edge_hz=4050)
    found = fit_tank(respond((twice,), 96000, "1:3:5", 1.2, -80.0), 96000).springs[0]
    assert all(abs(off) <= 1.5 * u + 1e-6 for _, off, u in errors(found, twice, 96000).values())


def coverage(draws: int, noise_db: float) -> tuple[int, int]:
    """How often the truth lay within U, of how many numbers."""
    held = asked = 0
    for seed in range(draws):
        found = fit_tank(respond((FIRST,), 48000, "1:3:5", 1.5, noise_db, seed), 48000).springs[0]
        told = errors(found, FIRST, 48000).values()
        held += sum(abs(off) <= u for _, off, u in told)
        asked += len(told)
    return held, asked


@pytest.mark.slow
def test_uncertainty_holds_the_truth_in_a_few_draws() -> None:
    held, asked = coverage(4, -60.0)
    assert held >= 0.8 * asked


@pytest.mark.slow
@pytest.mark.parametrize("noise_db", [-80.0, -60.0, -50.0])
def test_uncertainty_holds_the_truth(noise_db: float) -> None:
    held, asked = coverage(50, noise_db)
    print(f"\n{noise_db:.0f} dB: {100 * held / asked:.1f} % of {asked} numbers within U")
    assert held >= 0.9 * asked


def test_what_is_heard_again_measures_alike() -> None:
    sound = respond((FIRST, SECOND), 48000, "1:3:5", 2.5, -80.0, crosstalk=0.01)
    measured = find_springs(sound, 48000)
    fit = fit_tank(sound, 48000, 0.0, measured)
    assert fit.model is not None
    agreed = agreement(sound, synthesise(fit.model, 48000, 2.5), 48000, 0.0, measured)
    assert agreed.springs == 2
    assert abs(agreed.arrival_s or 1) < 20e-6
    assert abs(agreed.gain_db or 1) < 0.05
    assert (agreed.curve_s or 1) < 20e-6
    assert abs(agreed.t30_percent or 9) < 1.0


# The demo: what a fit of a good and of a faulty build differ in


def test_the_release_is_as_it_was_built() -> None:
    for found, (trip_ms, transition_hz, groups) in zip(
        fitted("release-1.0").springs,
        ((30.9431, 4800, ((100, 0.60581), (108, 0.16386))), (41.9630, 4000, ((106, 0.60727), (122, 0.16825)))),
        strict=True,
    ):
        assert 1e3 * found.trip_s.value == pytest.approx(trip_ms, abs=1e-3)  # workshop.TANK, and so below
        assert found.transition_hz.value == pytest.approx(transition_hz, rel=2e-3)
        for group, (sections, coefficient) in zip(found.groups, groups, strict=True):
            assert group.sections.value == pytest.approx(sections, rel=0.02)
            assert group.coefficient.value == pytest.approx(coefficient, abs=0.003)


@pytest.mark.slow
def test_half_the_sections_are_missing() -> None:
    for good, faulty in zip(fitted("release-1.0").springs, fitted("fewer-sections").springs, strict=True):
        assert len(good.groups) == len(faulty.groups) == 2
        for one, other in zip(good.groups, faulty.groups, strict=True):
            assert other.sections.value / one.sections.value == pytest.approx(0.5, abs=0.01)
            assert other.coefficient.value == pytest.approx(one.coefficient.value, abs=0.003)
        assert good.lowpass_hz is not None
        assert faulty.lowpass_hz is not None
        assert faulty.lowpass_hz.value / good.lowpass_hz.value == pytest.approx(1.063, abs=0.003)


@pytest.mark.slow
def test_the_feedback_is_raised() -> None:
    for good, faulty in zip(fitted("release-1.0").springs, fitted("raised-feedback").springs, strict=True):
        assert faulty.reflection_db.value - good.reflection_db.value == pytest.approx(0.3, abs=0.005)
        assert faulty.trip_s.value == pytest.approx(good.trip_s.value, abs=1e-6)


def test_delay_lines_are_short() -> None:
    pairs = zip(fitted("release-1.0").springs, fitted("drifted-refactor").springs, strict=True)
    shorter = [48000 * (good.trip_s.value - faulty.trip_s.value) for good, faulty in pairs]
    assert all(2.5 < samples < 8.5 for samples in shorter)  # lines in whole vectors of 8: 0.06 to 0.17 ms short
    good, faulty = fitted("release-1.0").springs[1], fitted("drifted-refactor").springs[1]
    assert 48000 * (good.delay_s.value - faulty.delay_s.value) == pytest.approx(shorter[1], abs=0.2)
    assert faulty.reflection_db.value == pytest.approx(good.reflection_db.value, abs=0.005)


# What is no such algorithm


@pytest.mark.slow
def test_a_physical_spring_is_described() -> None:
    sound = impulse_response(48000, 3.0)
    measured = find_springs(sound, 48000)
    fit = fit_tank(sound, 48000, 0.0, measured)
    assert fit.model is not None
    assert fit.residual_db < -25
    assert fit.noise_db < fit.residual_db - 10
    agreed = agreement(sound, synthesise(fit.model, 48000, 3.0), 48000, 0.0, measured)
    print(agreed)
    assert abs(agreed.arrival_s or 1) < 0.1e-3
    assert abs(agreed.t30_percent or 99) < 5


def test_noise_and_silence_have_no_spring() -> None:
    assert "dense" in fit_tank(np.random.default_rng(1).standard_normal(48000), 48000).why_none
    assert fit_tank(np.zeros(48000), 48000).why_none


@pytest.mark.slow
@pytest.mark.parametrize("name", TANKS)
def test_a_real_tank_is_described_or_refused(name: str) -> None:
    response = recording(name)
    for row in response.samples:
        fit = fit_tank(row, response.rate_hz)
        if not fit.springs:
            assert fit.why_none
            continue
        print(name, fit.residual_db, [(1e3 * s.trip_s.value, s.reflection_db.value) for s in fit.springs])
        assert fit.residual_db > fit.noise_db + 10
        for found in fit.springs:
            assert 0.02 < found.trip_s.value < 0.06
            assert 3000 < found.transition_hz.value < 12000


# The command


@pytest.fixture
def tank_wav(tmp_path: Path) -> Path:
    path = tmp_path / "tank.wav"
    sound = respond((FIRST,), 48000, "1:3:5", 1.2, -70.0, crosstalk=0.01)
    write_sound(path, 0.3 * sound[np.newaxis], 48000)
    return path


def test_the_command_writes_toml_sound_and_picture(tank_wav: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tank_wav.parent
    toml, wav, png = folder / "out.toml", folder / "out.wav", folder / "out.png"
    assert main(["fit", str(tank_wav), "--toml", str(toml), "--wav", str(wav), "--plot", str(png), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (spring,) = told["springs"]
    assert abs(spring["delay_samples"] - 1040) < 0.5
    assert spring["chains"][0]["sections_rounded"] == 100
    assert abs(told["fit"]["again_arrival_ms"]) < 0.05
    written = tomlkit.parse(toml.read_text(encoding="utf-8")).unwrap()
    assert written["springs"] == told["springs"]
    assert {path.name for path in folder.iterdir()} == {"tank.wav", "out.toml", "out.wav", "out.png"}
    for path in (toml, wav, png):
        prove_file(path)  # may be made anew
    assert main(["measure", str(wav), "--click-at", "0"]) == 0


def test_toml_goes_to_the_terminal_with_a_comment_beside_each_key(
    tank_wav: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fit", str(tank_wav)]) == 0
    text = capsys.readouterr().out
    assert tomlkit.parse(text)["springs"]
    for key in ("delay_ms", "transition_hz", "stretch", "reflection_gain_db", "sections", "residual_db"):
        (line,) = (line for line in text.splitlines() if line.startswith(f"{key} = "))
        assert " # " in line


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--channel", "2"], "has 1 channel(s), no channel 2"),
        (["--wav", "{folder}/out.flac"], "end its name in .wav"),
        (["--plot", "{folder}/out.pdf"], "end its name in .png"),
        (["--toml", "{folder}/none/out.toml"], "no folder"),
        (["--wav", "{folder}/tank.wav"], "is the recording itself"),
    ],
)
def test_slips(tank_wav: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str) -> None:
    asked = [argument.format(folder=tank_wav.parent) for argument in arguments]
    assert main(["fit", str(tank_wav), *asked]) == 2
    assert said in capsys.readouterr().err


def test_a_dense_response_is_refused_with_its_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fading = np.exp(-np.arange(48000) / 9600)
    hall: NDArray[Any] = np.random.default_rng(1).standard_normal(48000) * fading
    write_sound(tmp_path / "hall.wav", 0.2 * hall[np.newaxis], 48000)
    assert main(["fit", str(tmp_path / "hall.wav")]) == 2
    assert "no spring to fit: the response is dense" in capsys.readouterr().err


def test_a_model_that_lost_a_spring_is_not_compared_with_the_wrong_one() -> None:
    """Of two springs the model sounds the second only: its arrivals are not those of the first."""
    springs = (spring_truth.TrueSpring(0.030, 4200), spring_truth.TrueSpring(0.041, 3900))
    both, second = spring_truth.respond(springs), spring_truth.respond(springs[1:])
    agreed = agreement(both, second, 48000, 0.0, find_springs(both, 48000))
    assert agreed.springs == 1
    assert (agreed.arrival_s, agreed.gain_db, agreed.curve_s) == (None, None, None)
