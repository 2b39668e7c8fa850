"""The demo stands on its own: the physical springs obey the published equation, the builds are what they say.

Check values of the springs: S. Bilbao and J. Parker, IEEE TASLP 18(4) 2010, 799-808 (equations through open
implementations), evaluated at K = 0.0246, q = 1905, γ = 1190; called "the paper's equation" below.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reverdict import golden_set
from reverdict.demo import BUILDS, goldens, write_demo
from reverdict.demo.physical_springs import TWO_SPRINGS, Spring, impulse_response
from reverdict.errors import BadInput
from reverdict.schema.build import read_build
from reverdict.sound import read_sound, write_sound

RATE = 48000
PUBLISHED = Spring(stiffness=0.0246, turning=1905, wave_speed=1190)
PROGRAMS = {"tank": 1, "spring": 1, "stereo": 2, "hall": 1}


@pytest.fixture(scope="module")
def modules() -> Any:
    """The workshop's modules by name, imported the way a build of kind python imports them."""
    sys.path.insert(0, str(BUILDS))
    names = [path.stem for path in sorted(BUILDS.glob("workshop*.py"))]
    try:
        yield {name: import_module(name) for name in names}
    finally:
        sys.path.remove(str(BUILDS))
        for name in names:
            sys.modules.pop(name, None)


def respond(module: Any, program: str, seconds: float = 1.0, block: int = 512, click: float = 1.0, **more: Any) -> Any:
    """Response to a click on the first input, shape (channels out, samples)."""
    reverb = module.Reverb(sample_rate=RATE, program=program, **more)
    drive = np.zeros((PROGRAMS[program], round(seconds * RATE)))
    drive[0, 0] = click
    starts = range(0, drive.shape[1], block)
    return np.concatenate([reverb.process(drive[:, start : start + block]) for start in starts], axis=1)


def trip_delay_ms(trip: Any, frequency_hz: Any) -> Any:
    """Group delay of one trip from its impulse response h: Re(F{n h}/F{h})."""
    samples, block = RATE, 480
    click, out = np.zeros(samples), []
    click[0] = 1.0
    for start in range(0, samples, block):
        out.append(trip.read(block))
        trip.line.write(click[start : start + block])
    response = np.concatenate(out)
    turns = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(samples)) / RATE)
    return 1000 / RATE * ((turns @ (np.arange(samples) * response)) / (turns @ response)).real


def bands(response: Any) -> dict[int, tuple[float, float]]:
    """Level in dB and T30 in s of octave bands. Plain on purpose: no noise, no bias that does not cancel."""
    from scipy.signal import butter, sosfilt

    found = {}
    for centre in (250, 500, 1000, 2000):
        corners = [centre / 2**0.5, centre * 2**0.5]
        energy = np.cumsum(sosfilt(butter(4, corners, "bandpass", fs=RATE, output="sos"), response)[::-1] ** 2)[::-1]
        decay = 10 * np.log10(energy / energy[0])
        fitted = (decay < -5) & (decay > -35)
        slope = np.polyfit(np.flatnonzero(fitted) / RATE, decay[fitted], 1)[0]
        found[centre] = (10 * np.log10(energy[0]), -60 / slope)
    return found


def every_spring(workshop: Any) -> list[Any]:
    return [
        spring for tank in (workshop.TANK, workshop.SPRING, workshop.LEFT, workshop.RIGHT) for spring in tank.springs
    ]


# The physical model.


def test_published_group_delays() -> None:
    low = 1 / (PUBLISHED.stiffness * PUBLISHED.turning)
    assert low == pytest.approx(21.339e-3, abs=1e-6)  # the paper: T = 1/(Kq)
    assert PUBLISHED.transition_hz == pytest.approx(4783.5, abs=0.1)  # the paper's equation: maximum of the branch
    # The paper's equation: group delay over its low-frequency value at 1, 2, 3, 4 kHz
    ratios = PUBLISHED.one_trip_delay_s([1000, 2000, 3000, 4000]) / low
    assert ratios == pytest.approx([1.0238, 1.1035, 1.2891, 1.8326], abs=5e-5)


def test_wavenumber_satisfies_the_dispersion_relation() -> None:
    frequency = np.linspace(50, 4700, 40)
    omega, beta = 2 * np.pi * frequency, PUBLISHED.wavenumber(frequency)
    stiffness, turning, speed = PUBLISHED.stiffness, PUBLISHED.turning, PUBLISHED.wave_speed
    bending = omega**2 - stiffness**2 * (beta**2 - turning**2) ** 2 - turning**2 * speed**2
    left, right = bending * (omega**2 - speed**2 * beta**2), turning**2 * speed**4 * beta**2
    assert left == pytest.approx(right, rel=1e-9)


def test_delay_is_the_slope_of_the_phase() -> None:
    frequency, step = np.array([200.0, 1500.0, 4000.0]), 0.01
    slope = (PUBLISHED.wavenumber(frequency + step) - PUBLISHED.wavenumber(frequency - step)) / (4 * np.pi * step)
    assert PUBLISHED.one_trip_delay_s(frequency) == pytest.approx(slope, rel=1e-6)
    assert np.isinf(PUBLISHED.one_trip_delay_s(4784.0))


def test_passes_arrive_at_odd_trips_and_every_second_one_is_inverted() -> None:
    response = impulse_response(RATE, 1.0, (PUBLISHED,), crosstalk_db=-200, noise_db=None)
    frequency = np.linspace(300, 1200, 200)
    trip = PUBLISHED.wavenumber(frequency)
    folded = []
    for trips in (1, 3, 5):
        centre = round(trips * 21.339e-3 * RATE)
        around = np.arange(centre - 800, centre + 1000)  # up to where the next pass comes, at these frequencies
        spectrum = np.exp(-2j * np.pi * np.outer(frequency, around) / RATE) @ (np.hanning(1800) * response[around])
        folded.append(spectrum * np.exp(1j * trips * trip))
    for earlier, later in pairwise(folded):
        ratio = (later / earlier)[30:-30]
        assert np.abs(np.angle(-ratio)).max() < 2 * np.pi * 500 * 50e-6  # within 50 µs at 500 Hz
        assert np.abs(ratio).max() < 1


def test_nothing_comes_before_the_first_arrival_but_the_crosstalk() -> None:
    silent = impulse_response(crosstalk_db=-400, noise_db=None)
    assert np.abs(silent[: round(0.028 * RATE)]).max() < 1e-4  # cyclic wrap and the taper's ringing
    assert impulse_response(noise_db=None)[0] == pytest.approx(0.01, abs=1e-4)  # −40 dB


def test_noise_is_as_loud_as_said_and_the_same_every_time() -> None:
    clean, noisy, again, other = (
        impulse_response(RATE, 1.0, noise_db=noise_db, seed=seed)
        for noise_db, seed in ((None, 1), (-75, 1), (-75, 1), (-75, 2))
    )
    assert 20 * np.log10(np.std(noisy - clean)) == pytest.approx(-75, abs=0.1)
    assert np.array_equal(noisy, again)
    assert not np.array_equal(noisy, other)


# The workshop's algorithm.


@pytest.mark.parametrize("which", [0, 1])
def test_tank_trip_follows_the_physical_spring(modules: Any, which: int) -> None:
    workshop, physical = modules["workshop"], TWO_SPRINGS[which]
    trip = workshop.Trip(workshop.TANK.springs[which], RATE, "double")
    frequency = np.concatenate([[500.0], np.linspace(100, 0.75 * physical.transition_hz, 60)])
    error = trip_delay_ms(trip, frequency) - 1000 * physical.one_trip_delay_s(frequency)
    assert abs(error[0]) < 0.002
    assert np.abs(error).max() < 0.05


def test_tank_decays_and_sounds_as_loud_as_the_physical_tank(modules: Any) -> None:
    golden = bands(goldens.CAPTURE_PEAK * impulse_response(noise_db=None))
    ours = bands(respond(modules["workshop"], "tank", 3.0)[0])
    for centre, (level, t30) in golden.items():
        assert ours[centre][0] == pytest.approx(level, abs=0.3), centre
        assert ours[centre][1] == pytest.approx(t30, rel=0.05), centre


@pytest.mark.parametrize("program", PROGRAMS)
def test_block_size_does_not_matter(modules: Any, program: str) -> None:
    whole = respond(modules["workshop"], program, 0.2, block=9600)  # longer than any delay line
    for block, seconds in ((1, 0.035), (37, 0.1), (512, 0.2)):
        pieces = respond(modules["workshop"], program, seconds, block)
        assert np.abs(pieces[:, -48:]).max() > 1e-6
        assert np.abs(pieces - whole[:, : pieces.shape[1]]).max() < 1e-15


@pytest.mark.parametrize("program", PROGRAMS)
def test_programs_are_linear_and_die_away(modules: Any, program: str) -> None:
    response = respond(modules["workshop"], program, 3.0)
    peak = np.abs(response).max()
    assert 0.3 < peak < 1
    inverted = respond(modules["workshop"], program, 0.5, click=-0.5)
    assert np.abs(inverted * -2 - response[:, : inverted.shape[1]]).max() < 1e-12 * peak
    assert np.abs(response[:, -4800:]).max() < 10 ** (-50 / 20) * peak


def test_hall_reverberates_1_6_seconds(modules: Any) -> None:
    response = respond(modules["workshop"], "hall", 2.2)
    assert response.shape[0] == 2
    assert bands(response[0])[500][1] == pytest.approx(1.6, rel=0.05)


def test_stereo_crosses_12_db_softer(modules: Any) -> None:
    left, right = respond(modules["workshop"], "stereo", 0.5)
    assert right == pytest.approx(10 ** (-12 / 20) * left)


def test_wrong_use_is_refused(modules: Any) -> None:
    with pytest.raises(ValueError, match="no program 'plate'"):
        modules["workshop"].Reverb(RATE, program="plate")
    with pytest.raises(ValueError, match="takes 1"):
        modules["workshop"].Reverb(RATE, program="tank").process(np.zeros((2, 64)))


# The builds.


def test_single_precision_is_not_the_same_and_cannot_be_heard(modules: Any) -> None:
    for program in ("tank", "spring", "stereo"):
        before = respond(modules["workshop"], program)
        after = respond(modules["workshop"], program, precision="single")
        difference = np.abs(after - before).max() / np.abs(before).max()
        assert 0 < difference < 10 ** (-90 / 20)


def test_drifted_trips_are_early_by_the_same_time_at_all_frequencies(modules: Any) -> None:
    frequency = np.array([200.0, 500.0, 1000.0, 2000.0, 3000.0])
    for spring in every_spring(modules["workshop"]):
        before = trip_delay_ms(modules["workshop"].Trip(spring, RATE, "double"), frequency)
        shift = trip_delay_ms(modules["workshop_blocks"].VectorTrip(spring, RATE, "double"), frequency) - before
        assert -0.17 < shift[0] < -0.05  # as drifted-refactor.toml says
        assert np.ptp(shift) < 0.001


def test_fewer_sections_keep_500_hz_and_lose_dispersion(modules: Any) -> None:
    workshop, frequency = modules["workshop"], np.array([500.0, 3000.0])
    parameters = read_build(BUILDS / "fewer-sections.toml").parameters
    for tank in (workshop.TANK, workshop.SPRING, workshop.LEFT, workshop.RIGHT):
        cut = workshop.altered(tank, **parameters)
        for spring, half in zip(tank.springs, cut.springs, strict=True):
            before, after = (trip_delay_ms(workshop.Trip(one, RATE, "double"), frequency) for one in (spring, half))
            assert abs(after[0] - before[0]) < 0.010
            assert after[1] - before[1] < -1.5


def test_comb_keeps_500_hz_and_has_no_dispersion(modules: Any) -> None:
    frequency = np.array([500.0, 3000.0])
    for spring in every_spring(modules["workshop"]):
        before = trip_delay_ms(modules["workshop"].Trip(spring, RATE, "double"), frequency)
        after = trip_delay_ms(modules["workshop_comb"].CombTrip(spring, RATE, "double"), frequency)
        assert abs(after[0] - before[0]) < 0.010
        assert after[1] - before[1] < -2


@pytest.mark.parametrize("build", ["fewer-sections", "comb-fake", "drifted-refactor"])
def test_decay_holds_where_only_time_is_wrong(modules: Any, build: str) -> None:
    described = read_build(BUILDS / f"{build}.toml")
    module = modules[described.object.partition(":")[0]]
    before = bands(respond(modules["workshop"], "spring", 3.0)[0])
    after = bands(respond(module, "spring", 3.0, **described.parameters)[0])
    for centre, (level, t30) in before.items():
        assert after[centre][0] == pytest.approx(level, abs=0.5), centre
        assert after[centre][1] == pytest.approx(t30, rel=0.03), centre


@pytest.mark.parametrize("build", ["fewer-sections", "comb-fake", "drifted-refactor", "slow"])
def test_faults_of_the_springs_leave_the_hall_alone(modules: Any, build: str) -> None:
    described = read_build(BUILDS / f"{build}.toml")
    module = modules[described.object.partition(":")[0]]
    assert np.array_equal(
        respond(module, "hall", 0.3, **described.parameters), respond(modules["workshop"], "hall", 0.3)
    )


def test_trim_changes_the_level_and_nothing_else(modules: Any) -> None:
    before, after = (respond(modules["workshop"], "stereo", 0.2, trim_db=trim_db) for trim_db in (0.0, -0.45))
    assert after == pytest.approx(10 ** (-0.45 / 20) * before, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("program", ["tank", "spring", "stereo", "hall"])
def test_raised_feedback_prolongs_every_band(modules: Any, program: str) -> None:
    before = bands(respond(modules["workshop"], program, 3.0)[0])
    after = bands(respond(modules["workshop"], program, 3.0, feedback_db=0.3)[0])
    for centre, (_, t30) in before.items():
        assert after[centre][1] > 1.15 * t30, centre


def test_rewrite_sounds_the_same_and_costs_more(modules: Any) -> None:
    def cost(module: Any) -> tuple[float, Any]:
        times = []
        for _ in range(3):
            start = time.process_time()
            response = respond(module, "spring", 0.5)
            times.append(time.process_time() - start)
        return min(times), response

    cheap, before = cost(modules["workshop"])
    dear, after = cost(modules["workshop_sections"])
    assert np.abs(after - before).max() < 1e-9 * np.abs(before).max()
    assert dear > 1.6 * cheap


def test_rewrite_keeps_to_single_precision_too(modules: Any) -> None:
    exact = respond(modules["workshop_sections"], "tank", 0.2)
    single = respond(modules["workshop_sections"], "tank", 0.2, precision="single")
    assert 0 < np.abs(single - exact).max() < 1e-4 * np.abs(exact).max()


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler called cc")
    program = tmp_path_factory.mktemp("c") / "workshop"
    source = BUILDS / "workshop.c"
    strict = ["-std=c11", "-Wall", "-Wextra", "-Werror", "-pedantic"]
    subprocess.run([compiler, "-O2", *strict, "-o", program, source, "-lm"], check=True)
    return program


@pytest.mark.parametrize(
    ("program", "subtype"),
    [("tank", "FLOAT"), ("spring", "PCM_16"), ("stereo", "PCM_24"), ("hall", "PCM_32"), ("stereo", "FLOAT")],
)
def test_c_port_agrees(modules: Any, compiled: Path, tmp_path: Path, program: str, subtype: str) -> None:
    drive = np.zeros((PROGRAMS[program], RATE))
    drive[0, 100] = 0.5
    write_sound(tmp_path / "in.wav", drive, RATE, subtype)
    options = ["--rate", str(RATE), "--block", "512", "--program", program]
    subprocess.run([compiled, tmp_path / "in.wav", tmp_path / "out.wav", *options], check=True)
    ported, rate_hz = read_sound(tmp_path / "out.wav")
    ours = modules["workshop"].Reverb(RATE, program=program).process(drive)
    assert rate_hz == RATE
    assert ported.shape == ours.shape
    assert np.abs(ported - ours).max() < 10 ** (-100 / 20) * np.abs(ours).max()


@pytest.mark.parametrize(
    ("rate", "program", "said"),
    [("44100", "tank", "sample rate"), ("48000", "stereo", "channels"), ("48000", "x", "x:")],
)
def test_c_port_refuses_in_one_line(compiled: Path, tmp_path: Path, rate: str, program: str, said: str) -> None:
    write_sound(tmp_path / "in.wav", np.zeros((1, 100)), RATE)
    words = [compiled, tmp_path / "in.wav", tmp_path / "out.wav", "--rate", rate, "--program", program]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "out.wav").exists()


# Goldens and workspace.


def test_packaged_goldens_are_what_the_generator_makes(tmp_path: Path) -> None:
    from reverdict.demo import golden_folder

    goldens.write_goldens(tmp_path / "golden")
    made = {golden.name: golden for golden in golden_set.load(tmp_path / "golden")}
    kept = {golden.name: golden for golden in golden_set.load(golden_folder())}
    assert made.keys() == kept.keys()
    for name, golden in made.items():
        # 24 bits: rounding may fall the other way on another machine
        assert np.abs(golden.response.samples - kept[name].response.samples).max() <= 2**-22
        texts = [
            (folder / name / "reference.toml").read_text(encoding="utf-8")
            for folder in (tmp_path / "golden", golden_folder())
        ]
        lines = [[line for line in text.splitlines() if not line.startswith("sha256")] for text in texts]
        assert lines[0] == lines[1]
    assert sum(path.stat().st_size for path in golden_folder().rglob("*") if path.is_file()) < 3_000_000


def test_demo_lays_out_a_workspace_that_reads(tmp_path: Path) -> None:
    write_demo(tmp_path / "demo")
    assert {path.name for path in tmp_path.iterdir()} == {"demo"}
    assert {path.name for path in (tmp_path / "demo").iterdir()} == {"golden", "builds", "README.md"}
    assert len(golden_set.load(tmp_path / "demo" / "golden")) == 4
    readme = (tmp_path / "demo" / "README.md").read_text(encoding="utf-8")
    builds = sorted((tmp_path / "demo" / "builds").glob("*.toml"))
    assert len(builds) == 10
    for path in builds:
        read_build(path)
        assert f"builds/{path.name}" in readme
    assert not list((tmp_path / "demo").rglob("__pycache__"))


def test_demo_says_when_there_is_no_c_compiler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path / "nowhere"))
    write_demo(tmp_path / "demo")
    assert "needs a C compiler" in (tmp_path / "demo" / "README.md").read_text(encoding="utf-8")
    assert (tmp_path / "demo" / "builds" / "c-port.toml").is_file()


def test_demo_fills_an_empty_folder_and_touches_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.chdir(empty)
    write_demo(Path())
    assert (empty / "golden" / "tolerances.toml").is_file()
    with pytest.raises(BadInput, match="not empty"):
        write_demo(empty)
    (tmp_path / "file").write_text("mine")
    with pytest.raises(BadInput, match="is a file"):
        write_demo(tmp_path / "file")
    assert (tmp_path / "file").read_text() == "mine"
