"""What a build is put through for its manners: sounds played to fresh instances, and what they tell.

The response itself is rendered by ``trial`` as ever. Here the same click comes again, softer, turned over, later, amid
noise, in odd blocks, after a reset, beside a second instance and to a cold start; silence, loud noise, a whisper and a
steady sine follow. Only what the reference asks is played, and only what the kind of build can be put through: a
program cannot be reset, and a recording is what it is.

Comparisons use the first second after the click: whatever depends on level, time, blocks or company shows there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict.measure import manners
from reverdict.measure.manners import Observed
from reverdict.render import HOSTED, RECORDED, Failure, Played, Stimulus, play, unfit
from reverdict.words import PATHS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from reverdict.reference import Conduct
    from reverdict.render import Build, Request
    from reverdict.words import Response

COMPARED_S = 1.0
LATER_S = 0.1237
SOFTER_DB = 40.0
NOISE_RMS = 0.1
NOISE_SEED = 11
ODD_BLOCKS = (1, 17, 64, 511, 3, 256)
WHISPER = 1e-36
"""Amplitude: 40 dB above where 32-bit floats become denormal."""

WHISPER_S = 0.25
LOUD_S = 1.5
TAIL_NOISE_S = 0.5
TAIL_DB = 130.0
LONGEST_TAIL_S = 30.0
TIMED_TAIL_DB = 60.0
LONGEST_TIMED_S = 5.0
SILENCE_S = 1.0
SINE_HZ = 250.0
SINE_SETTLES_S = 0.7
SINE_S = 1.2
OTHER_RATES_HZ = (44100, 48000)


@dataclass(frozen=True)
class Subject:
    """A build and the response of it that is known.

    golden, response : Response
        Both to a click of 1.0, from the click on.
    decay_s : float
        Longest decay time (60 dB) of the golden.
    """

    build: Build
    request: Request
    golden: Response
    response: Response
    decay_s: float


def observe(subject: Subject, asked: Conduct, work_folder: Path) -> list[Observed]:
    """Put a build through what a reference asks of its manners.

    Raises
    ------
    BadInput
        As ``render.play``.
    """
    found = list(_of_the_response(subject, asked))
    if subject.build.kind not in RECORDED:
        return found + _Session(subject, asked, work_folder).observed()
    if any(getattr(asked, question) for question in RUNNING):
        found.append(Observed("how it runs", None, not_put=f"{RUNS_NOT[subject.build.kind]} cannot be played to"))
    return found


def _of_the_response(subject: Subject, asked: Conduct) -> Iterator[Observed]:
    """What shows in the response itself: how two channels go together."""
    inputs = np.split(np.arange(len(subject.response.paths)), 1 if len(subject.response.paths) < 4 else 2)
    if len(subject.response.paths) == 1:
        return
    for rows in inputs:
        where = "" if len(inputs) == 1 else f"{PATHS['stereo-to-stereo'][rows[0]].partition('→')[0]} input"
        for question, measure, tolerance in (
            ("balance_db", manners.balance_db, asked.balance_db),
            ("mono_db", manners.mono_sum_db, asked.mono_db),
        ):
            if tolerance is None:
                continue
            golden, own = (measure(one.samples[rows]) for one in (subject.golden, subject.response))
            if golden is None:
                continue
            if own is None:
                yield Observed(question, math.inf, where=where, remark="a channel is silent")
            else:
                yield Observed(question, own - golden, where=where, remark=f"{own:+.1f} dB, golden {golden:+.1f} dB")


class _Session:
    """The stimuli that one reference asks for, and what a build gave for them."""

    def __init__(self, subject: Subject, asked: Conduct, work_folder: Path) -> None:
        self.subject, self.asked, self.work = subject, asked, work_folder
        request = subject.request
        self.rate_hz = request.rate_hz
        self.preroll = request.preroll_samples
        self.compared = min(round(COMPARED_S * self.rate_hz), subject.response.samples.shape[1])
        self.size = self.preroll + self.compared
        self.level = request.click_level
        self.noise = np.random.default_rng(NOISE_SEED).normal(
            0.0, NOISE_RMS, (request.input_channels, max(self.size, round(LOUD_S * self.rate_hz)))
        )
        # The first input only: the others take the same way through the same code.
        rows = len(subject.response.paths) // (2 if request.channels == "stereo-to-stereo" else 1)
        self.expected = subject.response.samples[:rows, : self.compared]
        self.hosted = subject.build.kind in HOSTED
        self.played: dict[str, Played | Failure] = {}

    def observed(self) -> list[Observed]:
        self._play(dict(self._stimuli()))
        able = next((one for one in self.played.values() if isinstance(one, Played)), None)
        if able is not None:
            self._play(dict(self._changes(able)))
        found = [*self._failures(), *self._compared(), *self._latency(), *self._not_put(able)]
        found += [
            one for one in (self._silence(), self._dc(), self._tail(), self._headroom(), self._slow_tail()) if one
        ]
        return [*found, *self._moves()]

    def _not_put(self, able: Played | None) -> Iterator[Observed]:
        """Questions that this build cannot be asked."""
        asked, program = self.asked, "a program, run anew for each sound"
        if asked.block_size_percent and not self._takes_blocks():
            yield Observed("block_size_percent", None, not_put="its argv has no {block_size}")
        if asked.instances_percent and not self.hosted:
            yield Observed("instances_percent", None, not_put=program)
        if asked.reset_percent and not (able and able.can_reset):
            yield Observed("reset_percent", None, not_put="this build has no reset" if self.hosted else program)
        if asked.move_percent and not (able and able.can_move):
            why = "this build cannot move parameters while it runs"
            yield from (Observed("move_percent", None, where=name, not_put=why) for name in asked.moves)
        elif asked.move_percent:
            names = self.subject.build.parameter_names
            gone = [name for name in asked.moves if not names.get(name, name)]
            yield from (Observed("moved parameter", None, where=name, not_put="this build has none") for name in gone)

    def _play(self, stimuli: dict[str, Stimulus]) -> None:
        if stimuli:
            answers = play(self.subject.build, self.subject.request, list(stimuli.values()), self.work)
            for (name, stimulus), played in zip(stimuli.items(), answers, strict=True):
                self.played[name] = self._usable(played, stimulus.samples.shape[1])

    def _usable(self, played: Played | Failure, needed: int) -> Played | Failure:
        """As many samples as were played, or why that is not what came back."""
        if isinstance(played, Failure):
            return played
        if reason := unfit(played.samples, played.rate_hz, self.subject.request, needed):
            return Failure(reason)
        return replace(played, samples=played.samples[:, :needed])

    def _stimuli(self) -> Iterator[tuple[str, Stimulus]]:
        """By name; what needs no reset and no moved parameter."""
        asked, click = self.asked, self._click()
        if self._needs_repeat():
            yield "again", Stimulus(click)
        if asked.level_scaling_percent:
            yield "softer", Stimulus(click * 10 ** (-SOFTER_DB / 20))
            yield "turned over", Stimulus(-click)
        if asked.time_variance_percent or asked.cold_start_percent or asked.reset_percent:
            yield "later", Stimulus(np.pad(click, ((0, 0), (round(LATER_S * self.rate_hz), 0))))
        if asked.superposition_percent or asked.headroom_db:
            yield "noise", Stimulus(self.noise[:, : self.size])
        if asked.superposition_percent:
            yield "amid noise", Stimulus(click + self.noise[:, : self.size])
        if asked.cold_start_percent:
            yield "cold", Stimulus(click[:, self.preroll :])
        if asked.silence_percent or asked.dc_percent:
            yield "silence", Stimulus(np.zeros((len(click), round(SILENCE_S * self.rate_hz))))
        if asked.tail_percent:
            yield "tail", Stimulus(self._tail_sound())
        if asked.block_size_percent and self._takes_blocks():
            yield "blocks", Stimulus(click, ODD_BLOCKS if self.hosted else ODD_BLOCKS[1:2])
        if self.hosted and asked.instances_percent:
            other = next(rate for rate in OTHER_RATES_HZ if rate != self.rate_hz)
            yield "beside", Stimulus(click, beside=self.noise[:, : self.size], beside_rate_hz=other)
        if asked.slow_tail_percent:
            whisper = self._whisper()
            # Of a program only the whole run can be timed, so both must be of one length, and its start is taken off.
            frames = round(LOUD_S * self.rate_hz) if self.hosted else whisper.shape[1]
            loud = np.resize(self.noise, (len(self.noise), frames))
            for turn in (1, 2):
                yield f"loud {turn}", Stimulus(loud, timed=self.hosted)
                yield f"whisper {turn}", Stimulus(whisper, timed=self.hosted)
                if not self.hosted:
                    yield f"start {turn}", Stimulus(whisper[:, :1])

    def _changes(self, able: Played) -> Iterator[tuple[str, Stimulus]]:
        """What needs a reset or a moved parameter, as far as the build is able to."""
        if self.asked.reset_percent and able.can_reset:
            loud = round(TAIL_NOISE_S * self.rate_hz)
            sound = np.hstack([self.noise[:, :loud], self._click()])
            yield "reset", Stimulus(sound, changes=((loud, "", 0),))
        if self.asked.move_percent and able.can_move:
            moved_at = round(SINE_SETTLES_S * self.rate_hz)
            sine = 0.25 * np.sin(2 * np.pi * SINE_HZ / self.rate_hz * np.arange(round(SINE_S * self.rate_hz)))
            sine = np.tile(sine, (self.subject.request.input_channels, 1))
            for name, (before, after) in self.asked.moves.items():
                own = self.subject.build.parameter_names.get(name, name)
                if own:
                    yield f"move {name}", Stimulus(sine, changes=((0, own, before), (moved_at, own, after)))

    def _click(self) -> NDArray[Any]:
        click = np.zeros((self.subject.request.input_channels, self.size))
        click[0, self.preroll] = self.level
        return click

    def _tail_sound(self) -> NDArray[Any]:
        loud = round(TAIL_NOISE_S * self.rate_hz)
        seconds = min(self.subject.decay_s * TAIL_DB / 60.0 + 3 * manners.END_S, LONGEST_TAIL_S)
        return np.pad(self.noise[:, :loud], ((0, 0), (0, round(seconds * self.rate_hz))))

    def _whisper(self) -> NDArray[Any]:
        loud = round(WHISPER_S * self.rate_hz)
        seconds = min(self.subject.decay_s * TIMED_TAIL_DB / 60.0 + 2 * manners.WINDOW_S, LONGEST_TIMED_S)
        return np.pad(WHISPER / NOISE_RMS * self.noise[:, :loud], ((0, 0), (0, round(seconds * self.rate_hz))))

    def _needs_repeat(self) -> bool:
        """Whether anything is held against the response: how well that repeats is then the uncertainty."""
        asked = self.asked
        compared = (
            asked.repeats_percent, asked.level_scaling_percent, asked.time_variance_percent, asked.block_size_percent,
            asked.superposition_percent, asked.cold_start_percent, asked.instances_percent, asked.reset_percent,
            asked.move_percent,
        )  # fmt: skip
        return any(compared)

    def _takes_blocks(self) -> bool:
        return self.hosted or any("{block_size}" in word for word in self.subject.build.argv)

    # What came of it.

    def _answer(self, name: str) -> NDArray[Any] | None:
        """What came back for a stimulus, where something usable did."""
        played = self.played.get(name)
        return played.samples if isinstance(played, Played) else None

    def _failures(self) -> Iterator[Observed]:
        for name, played in self.played.items():
            if isinstance(played, Failure):
                yield Observed("output", None, where=WHERE.get(name, name), why_not=played.reason)

    def _response_to(self, name: str, start: int, level: float) -> NDArray[Any] | None:
        samples = self._answer(name)
        return None if samples is None else samples[:, start : start + self.compared] / level

    def _compared(self) -> Iterator[Observed]:
        later = round(LATER_S * self.rate_hz)
        loud = round(TAIL_NOISE_S * self.rate_hz)
        soft = self.level * 10 ** (-SOFTER_DB / 20)
        departed = {
            name: manners.departure(response, self.expected)
            for name, start, level in (
                ("again", self.preroll, self.level),
                ("softer", self.preroll, soft),
                ("turned over", self.preroll, -self.level),
                ("later", self.preroll + later, self.level),
                ("cold", 0, self.level),
                ("blocks", self.preroll, self.level),
                ("beside", self.preroll, self.level),
                ("reset", loud + self.preroll, self.level),
            )
            if (response := self._response_to(name, start, level)) is not None
        }
        amid = 1.0
        with_click, noise = self._answer("amid noise"), self._answer("noise")
        if with_click is not None and noise is not None and with_click.shape == noise.shape:
            response = (with_click - noise)[:, self.preroll :] / self.level
            departed["amid noise"] = manners.departure(response, self.expected)
            # What does not repeat of the noise is left over beside the click.
            amid = math.sqrt(float(np.sum(noise**2) / max(np.sum((self.level * self.expected) ** 2), 1e-30)))
        chance = departed.get("again", 0.0)
        for name, percent in departed.items():
            question = COMPARED[name]
            if getattr(self.asked, question) is None:
                continue
            # What does not repeat, or not at another time, cannot tell more finely; but none of that is in what came
            # out exactly alike.
            elsewhere = departed.get("later", 0.0) if name in ("cold", "reset") else 0.0
            of_chance = chance * (amid if name == "amid noise" else 1.0)
            unknown = 0.0 if name == "again" else min(percent, 2.0 * max(of_chance, elsewhere))
            several = WHERE[name] if question == "level_scaling_percent" else ""
            yield Observed(question, percent, unknown, name=several, remark=_of_response(percent))

    def _latency(self) -> Iterator[Observed]:
        """A latency that is told must be the same from beginning to end, and every time."""
        told = {
            one
            for played in self.played.values()
            if not isinstance(played, Failure)
            for one in (played.latency_samples, played.latency_at_end)
        }
        if len(told) > 1:
            listed = ", ".join(str(one) for one in sorted(told, key=lambda one: -1 if one is None else one))
            yield Observed("latency", None, why_not=f"reports different latencies: {listed} samples")

    def _silence(self) -> Observed | None:
        samples = self._answer("silence")
        if samples is None or not self.asked.silence_percent:
            return None
        loudest = 100.0 * float(np.abs(samples).max(initial=0.0))
        return Observed("silence_percent", loudest, remark=_of_full_scale(loudest))

    def _dc(self) -> Observed | None:
        samples = self._answer("silence")
        if samples is None or not self.asked.dc_percent:
            return None
        offset = 100.0 * float(np.abs(samples[:, samples.shape[1] // 2 :].mean(axis=1)).max())
        return Observed("dc_percent", offset, remark=_of_full_scale(offset))

    def _tail(self) -> Observed | None:
        samples = self._answer("tail")
        if samples is None:
            return None
        left, steady = manners.what_is_left(samples, self.rate_hz)
        seconds = samples.shape[1] / self.rate_hz - TAIL_NOISE_S
        remark = manners.in_db(left) + (", and decays no more" if steady else ", still decaying")
        return Observed("tail_percent", left, where=f"{seconds:.1f} s after loud noise", remark=remark if left else "")

    def _headroom(self) -> Observed | None:
        """Peak of the answer to noise, against what the golden would have given for it."""
        samples = self._answer("noise")
        if samples is None or not self.asked.headroom_db:
            return None
        from scipy.signal import fftconvolve

        own = manners.peak_db(samples)
        # Rows of one input each; what comes of all inputs adds up.
        golden = np.split(self.subject.golden.samples[:, : self.size], len(self.noise))
        answers = [
            fftconvolve(np.broadcast_to(heard[: self.size], (len(rows), self.size)), rows, axes=1)[:, : self.size]
            for heard, rows in zip(self.noise, golden, strict=True)
        ]
        expected = manners.peak_db(np.sum(answers, axis=0))
        if own is None or expected is None:
            return None
        return Observed("headroom_db", own - expected, remark=f"peak {own:.1f} dBFS for noise of −20 dBFS rms")

    def _slow_tail(self) -> Observed | None:
        if not self.asked.slow_tail_percent:
            return None
        runs = {
            sound: [one for turn in (1, 2) if isinstance(one := self.played.get(f"{sound} {turn}"), Played)]
            for sound in ("loud", "whisper", "start")
        }
        if not (len(runs["loud"]) == len(runs["whisper"]) == 2):
            return None
        if self.hosted:
            times = {sound: [one.cpu_s for one in both if one.cpu_s is not None] for sound, both in runs.items()}
            silent_from = round(WHISPER_S * self.rate_hz)
            slowed_down = manners.slow_down(times["loud"], times["whisper"], self.rate_hz, silent_from)
            denormal = manners.denormal_share(runs["whisper"][0].samples[:, silent_from:])
            remark = (
                f"{100 * denormal:.0f} % of it are denormal numbers, slower by processor" if denormal > 0.01 else ""
            )
            return Observed("slow_tail_percent", *slowed_down, remark=remark)
        whole = {sound: [one.program_cpu_s for one in both if one.program_cpu_s] for sound, both in runs.items()}
        slowed = manners.slow_program(whole["loud"], whole["whisper"], whole["start"])
        if slowed is None:
            return Observed("slow_tail_percent", None, not_put="its sound takes too little time beside its start")
        return Observed("slow_tail_percent", *slowed)

    def _moves(self) -> Iterator[Observed]:
        moved_at = round(SINE_SETTLES_S * self.rate_hz)
        for name in self.asked.moves:
            samples = self._answer(f"move {name}")
            if samples is not None:
                burst = manners.high_burst(samples, self.rate_hz, SINE_HZ, moved_at)
                yield Observed("move_percent", burst, where=f"{name} moved", remark=manners.in_db(burst))


RUNS_NOT = {"recordings": "a recording", "interface": "hardware behind an interface"}
RUNNING = (
    "repeats_percent", "block_size_percent", "instances_percent", "reset_percent", "level_scaling_percent",
    "superposition_percent", "time_variance_percent", "cold_start_percent", "silence_percent", "dc_percent",
    "tail_percent", "move_percent", "slow_tail_percent", "headroom_db",
)  # fmt: skip
"""Questions for which a build must run."""

COMPARED = {
    "again": "repeats_percent",
    "softer": "level_scaling_percent",
    "turned over": "level_scaling_percent",
    "later": "time_variance_percent",
    "cold": "cold_start_percent",
    "blocks": "block_size_percent",
    "beside": "instances_percent",
    "reset": "reset_percent",
    "amid noise": "superposition_percent",
}
"""Stimulus -> what its comparison with the response answers."""

WHERE = {
    "again": "the same click again",
    "softer": f"click {SOFTER_DB:.0f} dB softer",
    "turned over": "click turned over",
    "later": f"click {LATER_S} s later",
    "noise": "noise",
    "amid noise": "click amid noise",
    "cold": "click without silence before it",
    "silence": "silence",
    "tail": "silence after loud noise",
    "blocks": "odd block sizes",
    "beside": "a second instance at another rate beside it",
    "reset": "click after noise and a reset",
    "loud 1": "noise", "loud 2": "noise",
    "start 1": "a single sample", "start 2": "a single sample",
    "whisper 1": "noise near the smallest numbers", "whisper 2": "noise near the smallest numbers",
}  # fmt: skip


def _of_response(percent: float) -> str:
    said = manners.in_db(percent)
    return f"{said} of the response" if said else ""


def _of_full_scale(percent: float) -> str:
    return f"{manners.in_db(percent)}FS" if percent else ""
