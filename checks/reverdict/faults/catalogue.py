"""Which graded faults a golden can have, and why not the others.

Every golden has those of ``sound``; one whose springs the usual spring algorithm explains has those of each spring;
another has those of a dense tail. Faults are in the order in which they are told: springs, tail, then any sound's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.faults import sound, springs, tail
from reverdict.faults.fault import Fault, Heard

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from reverdict.faults.springs import Change, OneSpring
    from reverdict.fit import TankFit
    from reverdict.measure.measurement import Measurement, PathMeasurement
    from reverdict.words import Response

SPRING_FAULTS = "delay, coefficient, sections, reflection, lowpass and polarity of one spring"
LATER, HIGHER, LONGER, MORE = ("later", "earlier"), ("higher", "lower"), ("longer", "shorter"), ("more", "less")
LONGEST_DELAY_MS = 10.0
STABLE_SHARE = 0.9
"""Of what is missing to a reflection of 1, and of a coefficient to 1: farther no fault goes."""
LATE_TAIL_FROM_S = 0.05
SWAY_HZ = 1.0
MAINS_HZ = 50.0
CLICK_LEFT_DB, CLICK_SHARE = -30.0, 0.9
"""Where late clicks stand: where 30 dB less than all of the energy is to come, and at this share of the record."""


@dataclass(frozen=True)
class NotInjected:
    """Faults that a golden cannot be given, and why."""

    fault: str
    reason: str


@dataclass(frozen=True)
class Catalogue:
    """What can be injected, and what cannot."""

    faults: tuple[Fault, ...]
    not_injected: tuple[NotInjected, ...]


def catalogue(
    golden: Response, measured: Measurement, fits: Sequence[TankFit], block: int, lead: int, click_level: float
) -> Catalogue:
    """Every fault for a golden.

    Parameters
    ----------
    golden : Response
        From the click on.
    fits : sequence of TankFit
        Of every path, in order.
    block, lead : int
        Block size, and how many samples are rendered before the click.
    click_level : float
        Of the click that is played, full scale 1.
    """
    of_springs, left_out = _of_springs(golden, fits)
    tails: list[Fault] = []
    if not of_springs:
        tails, no_decay = _of_tail(golden, measured)
        left_out += no_decay
    everywhere = [*_in_time(golden), *_in_level(golden), *_added(golden, click_level), *_in_blocks(block, lead)]
    return Catalogue((*of_springs, *tails, *everywhere), tuple(left_out))


# Springs


def _of_springs(golden: Response, fits: Sequence[TankFit]) -> tuple[list[Fault], list[NotInjected]]:
    for path, fit in zip(golden.paths, fits, strict=True):
        why = ""
        if fit.model is None:
            why = fit.why_none
        elif fit.residual_db > springs.LEAST_EXPLAINED_DB:
            why = f"the usual spring algorithm leaves {fit.residual_db:.0f} dB of it unexplained".replace("-", "−")
        if why:
            return [], [NotInjected(SPRING_FAULTS, f"{path}: {why}" if path else why)]
    found = springs.springs_of([fit.model for fit in fits if fit.model], golden.rate_hz)
    shown = {(path, number): one for path, fit in enumerate(fits) for number, one in enumerate(fit.springs)}
    faults: list[Fault] = []
    left_out: list[NotInjected] = []
    for number, spring in enumerate(found, start=1):
        name = f"spring {number}" if len(found) > 1 else "the spring"
        faults += _of_one_spring(spring, name, golden.rate_hz)
        told = shown[spring.places[0]]
        rate_hz = golden.rate_hz
        if told.lowpass_hz:
            about = f"corner of the lowpass of a trip, {told.lowpass_hz.value:.0f} Hz, moved"
            change = partial(springs.lowpass, rate_hz=rate_hz)
            faults.append(_changing(spring, name, "lowpass", change, 0.1, 60.0, "%", HIGHER, about))
        if told.steep_hz:
            about = f"edge of the steep lowpass of a trip, {told.steep_hz.value:.0f} Hz, moved"
            change = partial(springs.steep_lowpass, rate_hz=rate_hz)
            faults.append(_changing(spring, name, "steep lowpass", change, 0.1, 60.0, "%", HIGHER, about))
        if not (told.lowpass_hz or told.steep_hz):
            left_out.append(NotInjected(f"lowpass of {name}", "none shows in the band that the springs fill"))
    return faults, left_out


def _of_one_spring(spring: OneSpring, name: str, rate_hz: float) -> Iterator[Fault]:
    one, pass_law = spring.model, spring.models[0].pass_law
    most_ms = min(LONGEST_DELAY_MS, STABLE_SHARE * 1e3 * one.line_s)
    yield _changing(
        spring, name, "delay line", springs.later, 0.001, most_ms, "ms", LATER, "the delay line of a trip longer"
    )
    largest = max(abs(a) for _, a in one.chains)
    most_percent = min(20.0, 100 * STABLE_SHARE * (1 / largest - 1))
    yield _changing(
        spring, name, "allpass coefficient", springs.coefficient, 0.01, most_percent, "%", HIGHER,
        f"allpass coefficient, {largest:.3f}, changed", springs.heard_dispersion(one, springs.coefficient, rate_hz),
    )  # fmt: skip
    sections = one.chains[springs.largest_group(one)][0]
    yield _changing(
        spring, name, "allpass sections", springs.sections_missing, 1.0, float(max(int(sections / 2), 1)), "missing",
        (), f"of {sections:.0f} allpass sections, some left out",
        springs.heard_dispersion(one, springs.sections_missing, rate_hz), 1.0,
    )  # fmt: skip
    most_db = min(3.0, STABLE_SHARE * -20 * float(np.log10(abs(one.reflection))))
    yield _changing(
        spring, name, "reflection", springs.reflection, 0.002, most_db, "dB", LONGER, "reflection gain changed",
        springs.heard_decay(one, pass_law, rate_hz),
    )  # fmt: skip
    yield _changing(spring, name, "polarity", springs.turned_over, 1.0, 1.0, "", (), "connected the other way round")


def _changing(
    spring: OneSpring, name: str, what: str, change: Change, mild: float, grave: float, unit: str,
    ways: tuple[str, ...], about: str, heard: Heard | None = None, step: float = 0.0,
) -> Fault:  # fmt: skip
    def inject(golden: Response, size: float) -> NDArray[Any]:
        return springs.changed(golden, spring, change, size)

    return Fault(f"{what} of {name}", about, unit, mild, _rounded(grave), inject, step=step, ways=ways, heard=heard)


# A dense tail


def _of_tail(golden: Response, measured: Measurement) -> tuple[list[Fault], list[NotInjected]]:
    rate_hz = golden.rate_hz
    faults = [
        Fault(
            "part of the tail late", f"what comes {1e3 * LATE_TAIL_FROM_S:.0f} ms after the click or later, late",
            "ms", 0.01, 20.0,
            lambda one, ms: tail.late_from(one.samples, rate_hz, LATE_TAIL_FROM_S, 1e-3 * ms),
        ),
        Fault(
            "modulation", f"times that sway either way, {SWAY_HZ:g} Hz", "ms", 0.001, 5.0,
            lambda one, ms: tail.modulated(one.samples, rate_hz, 1e-3 * ms, SWAY_HZ),
        ),
    ]  # fmt: skip
    decays = [_decay_time(path) for path in measured.paths]
    known = [seconds for seconds in decays if seconds]
    if len(known) < len(decays):
        return faults, [NotInjected("decay time", "the golden's own cannot be told")]
    heard = Heard(5.0, "ISO 3382-1 Table A.1")
    longer = Fault(
        "decay time", "an exponential laid over all bands", "%", 0.1, 50.0,
        lambda one, percent: tail.decaying(one.samples, rate_hz, known, percent), ways=LONGER, heard=heard,
    )  # fmt: skip
    return [*faults, longer], []


def _decay_time(path: PathMeasurement) -> float | None:
    times = path.decay.whole.times
    return next((times[name].seconds for name in ("t30", "t20", "edt") if times[name].seconds), None)


# Any sound


def _in_time(golden: Response) -> Iterator[Fault]:
    rate_hz = golden.rate_hz
    yield Fault(
        "latency", "all of it late", "samples", 0.01, 4500.0, lambda one, samples: sound.late(one.samples, samples)
    )
    yield Fault(
        "rate error", "all times scaled", "ppm", 1.0, 20000.0,
        lambda one, ppm: sound.stretched(one.samples, 1e-6 * ppm), ways=LONGER,
    )  # fmt: skip
    # A golden of the family of 48 kHz is answered by a build that believes in 44.1 kHz, and the other way round.
    wrong_hz = rate_hz * 147 // 160 if rate_hz % 8000 == 0 else rate_hz * 160 // 147
    yield Fault(
        "wrong rate", f"a response at {wrong_hz} Hz read as one at {rate_hz} Hz", "", 1.0, 1.0,
        lambda one, _: sound.stretched(one.samples, wrong_hz / rate_hz - 1),
    )  # fmt: skip


def _in_level(golden: Response) -> Iterator[Fault]:
    rate_hz = golden.rate_hz
    yield Fault(
        "gain", "all of it louder or softer", "dB", 0.01, 20.0, lambda one, db: sound.louder(one.samples, db),
        ways=MORE, heard=Heard(1.0, "strength, ISO 3382-1 Table A.1"),
    )  # fmt: skip
    yield Fault(
        "tilt", "magnitude tilted about 1 kHz, phase untouched", "dB/octave", 0.01, 6.0,
        lambda one, db: sound.tilted(one.samples, rate_hz, db), ways=("brighter", "darker"),
    )  # fmt: skip
    yield Fault("polarity", "all of it turned over", "", 1.0, 1.0, lambda one, _: -one.samples)
    if len(golden.paths) > 1:
        yield Fault("polarity of one path", f"{golden.paths[-1]} turned over", "", 1.0, 1.0, _last_turned_over)
        yield Fault("channels", "left and right exchanged", "", 1.0, 1.0, lambda one, _: sound.swapped(one.samples))
        yield Fault(
            "crosstalk", "each output leaks into the other", "dB", -100.0, 0.0,
            lambda one, db: sound.crossed(one.samples, db), "linear",
        )  # fmt: skip
    yield Fault(
        "leak of the click", "the dry click heard at t = 0, dB re peak", "dB re peak", -100.0, 20.0,
        lambda one, db: sound.clicked(one.samples, 0, db), "linear",
    )  # fmt: skip
    yield Fault(
        "tail cut", "silence from where so much of the energy is to come", "dB of energy left", -90.0, -3.0,
        lambda one, db: sound.cut(one.samples, db), "linear",
    )  # fmt: skip


def _last_turned_over(one: Response, _: float) -> NDArray[Any]:
    return one.samples * np.where(np.arange(len(one.paths)) == len(one.paths) - 1, -1.0, 1.0)[:, np.newaxis]


def _added(golden: Response, click_level: float) -> Iterator[Fault]:
    rate_hz = golden.rate_hz
    in_tail = sound.energy_left_at(golden.samples, CLICK_LEFT_DB)
    near_end = int(CLICK_SHARE * golden.samples.shape[1])
    for name, at in (("click in the tail", in_tail), ("click near the end", near_end)):
        yield Fault(
            name, f"one sample at {at / rate_hz:.2f} s", "dB re peak", -120.0, 20.0,
            partial(_clicked, at=at), "linear",
        )  # fmt: skip
    yield Fault(
        "hum", f"{MAINS_HZ:g} Hz and four overtones at 1/n, its peak", "dB re peak", -120.0, 0.0,
        lambda one, db: sound.hummed(one.samples, rate_hz, db, MAINS_HZ), "linear",
    )  # fmt: skip
    yield Fault(
        "noise", "white, its rms", "dB re peak", -140.0, 0.0, lambda one, db: sound.noisy(one.samples, db), "linear"
    )
    yield Fault(
        "DC", "a constant offset", "dB re peak", -120.0, 0.0, lambda one, db: sound.offset(one.samples, db), "linear"
    )
    yield Fault(
        "truncation", "rounded down to so many bits, full scale 1", "bits", 24.0, 2.0,
        lambda one, bits: sound.truncated(one.samples, bits, click_level), "linear", 1.0,
    )  # fmt: skip


def _clicked(one: Response, db: float, at: int) -> NDArray[Any]:
    return sound.clicked(one.samples, at, db)


def _in_blocks(block: int, lead: int) -> Iterator[Fault]:
    damages = {"zeroed": sound.zeroed, "repeated": sound.repeated, "dropped": sound.dropped}
    for name, damage in damages.items():
        yield Fault(
            f"samples {name}", f"at the end of every block of {block}", "samples a block", 1.0,
            float(max(block // 4, 1)), partial(_damaged, damage=damage, block=block, lead=lead), step=1.0,
        )  # fmt: skip


def _damaged(one: Response, lost: float, damage: Any, block: int, lead: int) -> NDArray[Any]:
    return np.asarray(damage(one.samples, round(lost), block, lead))


def _rounded(size: float) -> float:
    return float(f"{size:.3g}")
