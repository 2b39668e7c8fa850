"""What programs call: what they hand in is proven here, once, and goes on to the rooms that do the work.

Within the suite the same functions are called thousands of times, with sound that ``sound`` proved when it was read;
so the proof stands in front of them: two passes over the samples, 0.05 ms where measuring takes 69 (4 s at 48 kHz).

Conventions
    Functions that take sound raise TypeError or ValueError; those that take files raise BadInput, whatever is wrong,
    so that one ``except`` catches it all. A message names the argument, what was given, and what is meant.
"""

from __future__ import annotations

import difflib
import numbers
import threading
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reverdict import fit, own_checks, report
from reverdict.errors import BadInput
from reverdict.gate import gate
from reverdict.measure import measurement
from reverdict.measure.bands import octave_centres
from reverdict.measure.passes import SpringMeasurement
from reverdict.phrases import of_another_version
from reverdict.reading import misfit, of_form
from reverdict.report.data import sensitivity as sensitivity_data
from reverdict.report.data import verdict as verdict_data
from reverdict.sound import LARGEST, amiss, no_sound
from reverdict.words import CHECKS, PATHS, Response, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from reverdict.fit import TankFit
    from reverdict.measure.measurement import Comparison, Measurement
    from reverdict.parting import Shard

RATES_HZ = (8000.0, 192000.0)
LOWEST_ARRIVAL_HZ = 50.0

ONE_AT_A_TIME = threading.RLock()
"""The gate redirects what this process prints, and its environment, while items run."""


def judge_build(
    build_path: Path | str,
    golden_folder: Path | str,
    only: str = "*",
    jobs: int = 1,
    progress: Callable[[str], None] | None = None,
    *,
    shard: Shard | None = None,
    checks: Sequence[str] = CHECKS,
    responses: Path | str | None = None,
    pictures: bool = True,
    cluster: str | None = None,
) -> Verdict:
    """Judge a build against a folder of golden references, or do one part of that.

    Builds are judged one after the other: where a second thread calls, it waits until the first is done, which keeps
    costs comparable, too. While one is judged, what other threads of the program print is not seen.

    Parameters
    ----------
    build_path : path
        Build TOML, folder of recordings, or WAV file.
    golden_folder : path
        References and their ``tolerances.toml``; nothing is written into it.
    only : str
        Glob over reference names; with a WAV file, the reference it stands for.
    jobs : int
        Worker processes, 1 or more. Cost is timed afterwards, alone, whatever the number.
    progress : callable, optional
        Told what is done, a line at a time: first what is ahead, then each item when it starts.
    shard : Shard, optional
        Only the references of this shard.
    checks : sequence of str
        Only these, by their names in verdict.json; the others are left to another part. Checks that packages bring go
        with "conduct", or by their own name.
    responses : path, optional
        Folder in which golden and candidate responses are kept, for listening.
    pictures : bool
        Whether to measure what pages draw beyond what is judged.
    cluster : str, optional
        Address of a Dask scheduler whose workers judge all but cost; None for here.

    Raises
    ------
    BadInput
        The build, a reference or an impulse cannot be used, there is no such check or shard, or nothing was selected.
        Then nothing has run; what only shows when the build runs, such as a program that is not there, is raised
        afterwards.
    RuntimeError
        A bug in the suite: an item broke, or its process was lost.
    """
    if jobs < 1:
        raise BadInput("jobs", f"is {jobs}, needs a number of workers, 1 or more")
    if shard and not 1 <= shard.index <= shard.count:
        raise BadInput("shard", f"is {shard}, needs an index from 1 to the count, such as 2/4")
    _prove_checks(checks)
    with ONE_AT_A_TIME:
        return gate(
            Path(build_path), Path(golden_folder), only, jobs, progress, shard=shard, checks=checks,
            responses=None if responses is None else Path(responses), pictures=pictures, cluster=cluster,
        )  # fmt: skip


def _prove_checks(checks: Sequence[str]) -> None:
    known = [*CHECKS, *(table.replace("_", "-") for table in own_checks.tables())]
    if isinstance(checks, str):
        raise BadInput("checks", f'is the text "{checks}", needs a sequence of names: ("{checks}",)')
    if not len(checks):
        raise BadInput("checks", f"names none; there are {', '.join(known)}")
    for name in checks:
        if name not in known:
            near = difflib.get_close_matches(name, known, 1)
            meant = f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}"
            raise BadInput("checks", f'no check is called "{name}"; {meant}')


def measure_response(
    response: Response, arrival_hz: float = 500.0, fraction: int = 1, decay_from_s: float | None = None
) -> Measurement:
    """Measure every path of a response: springs and their passes, decay band by band, flatness, colour, crosstalk.

    Methods and their sources stand in the modules of ``reverdict.measure``; checks/README.md is the way in.

    Parameters
    ----------
    response : Response
        Samples of shape (paths, samples) at any rate from 8 to 192 kHz; times count from its click.
    arrival_hz : float
        Frequency at which arrivals are told, from 50 Hz to half the sample rate.
    fraction : int
        1 for the decay in octaves, 3 in third-octaves (IEC 61260-1).
    decay_from_s : float, optional
        When the decay is to begin, in seconds from the first sample, if not at the click.

    Returns
    -------
    Measurement
        What cannot be told of this response is None, with the reason beside it. Nothing is raised for a sound that is
        one, be it silence or a single sample.

    Raises
    ------
    ValueError
        ``response`` is not as `Response` says, or another argument is not as it says here.
    TypeError
        One of them is of another type.
    """
    whole = _proven("response", response)
    hz = _within("arrival_hz", arrival_hz, LOWEST_ARRIVAL_HZ, whole.rate_hz / 2, "Hz")
    if fraction not in (1, 3):
        raise ValueError(f"fraction is {fraction!r}, needs 1 for octaves or 3 for third-octaves")
    if decay_from_s is not None:
        decay_from_s = _time("decay_from_s", decay_from_s, whole.samples.shape[1], whole.rate_hz)
    return measurement.measure(whole, hz, fraction, decay_from_s)


def measure_beside(
    golden: Response, measured: Measurement, candidate: Response, *, without_latency: bool = False, tail: bool = False
) -> Comparison:
    """Measure a candidate beside its golden, both from the click on.

    Parameters
    ----------
    golden, candidate : Response
        Of one rate and one shape (paths, samples), ``click_at_s`` 0. Paths are taken in their order and called as the
        golden's. Nothing is converted, cut or padded here, for that would be heard as a lag or a decay.
    measured : Measurement
        Of the golden, by `measure_response`, in octaves.
    without_latency : bool
        Move the candidate back by its latency first, to the nearest sample.
    tail : bool
        Measure the lag over time too.

    Returns
    -------
    Comparison
        Lags in seconds, candidate later than golden positive, with expanded uncertainties (k = 2).

    Raises
    ------
    ValueError
        ``golden`` or ``candidate`` is not as `Response` says, they are not of one rate and shape or do not begin with
        the click, or ``measured`` is of another response.
    TypeError
        One of them is of another type.
    """
    one, other = _proven("golden", golden), _proven("candidate", candidate)
    if one.rate_hz != other.rate_hz:
        raise ValueError(f"candidate is at {other.rate_hz} Hz, golden at {one.rate_hz} Hz; convert one of them")
    if len(one.samples) != len(other.samples):
        raise ValueError(f"candidate has {_some(other.samples, 'path')}, golden {_some(one.samples, 'path')}")
    if one.samples.shape != other.samples.shape:
        lengths = f"candidate has {other.samples.shape[1]} samples, golden {one.samples.shape[1]}"
        raise ValueError(f"{lengths}; cut the longer, or pad the shorter with zeros")
    for name, begun in (("golden", one), ("candidate", other)):
        if begun.click_at_s:
            cut = f"samples={name}.samples[:, {round(begun.click_at_s * begun.rate_hz)}:], click_at_s=0.0"
            told = f"{name}.click_at_s is {begun.click_at_s:g} s, needs 0: leave off what comes before the click"
            raise ValueError(f"{told}, replace({name}, {cut}), before it is measured")
    _prove_measured(measured, one)
    return measurement.measure_beside(one, measured, other, without_latency=without_latency, tail=tail)


def _prove_measured(measured: Measurement, golden: Response) -> None:
    if not isinstance(measured, measurement.Measurement):
        raise TypeError(f"measured is {_kind(measured)}, needs what measure_response gives")
    if (paths := tuple(path.path for path in measured.paths)) != golden.paths:
        raise ValueError(f"measured is of paths {paths}, golden has {golden.paths}; measure the golden")
    for path in measured.paths:
        if path.decay.fraction != 1:
            raise ValueError("measured is in third-octaves, needs octaves: measure_response(golden)")
        if [band.centre_hz for band in path.decay.bands] != octave_centres(golden.rate_hz):
            raise ValueError(f"measured is of another rate than golden, {golden.rate_hz} Hz; measure the golden")


def fit_tank(
    samples: NDArray[Any],
    rate_hz: float,
    click_at_s: float = 0.0,
    measured: SpringMeasurement | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> TankFit:
    """Fit the usual spring algorithm to one signal path.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        Floating point, finite, full scale being 1.
    rate_hz, click_at_s : float
        Sample rate, from 8 to 192 kHz; when the click went in, in seconds from the first sample, within the sound.
    measured : SpringMeasurement, optional
        What was found in it, where that is known already: ``springs`` of a path that `measure_response` gives.
    tell : callable
        Is told what is under way.

    Returns
    -------
    TankFit
        Numbers with expanded uncertainties (k = 2); ``why_none`` where no spring was found, or the algorithm leaves
        too much unexplained.

    Raises
    ------
    ValueError
        An argument is not as it says here.
    TypeError
        One is of another type.
    """
    _require_array("samples", samples, "(samples,)")
    if samples.ndim != 1:
        one = ": samples[0]" if samples.ndim == 2 else ""
        raise ValueError(f"samples has shape {samples.shape}, needs (samples,), a single path{one}")
    rate_hz = _within("rate_hz", rate_hz, *RATES_HZ, "Hz")
    sound = _sound("samples", samples)
    click_at_s = _time("click_at_s", click_at_s, sound.size, rate_hz)
    if measured is not None and not isinstance(measured, SpringMeasurement):
        raise TypeError(f"measured is {_kind(measured)}, needs .paths[0].springs of what measure_response gives")
    return fit.fit_tank(sound, rate_hz, click_at_s, measured, tell)


def write_report(
    verdict: Verdict | Mapping[str, Any],
    folder: Path | str,
    sensitivity: Mapping[str, Any] | None = None,
    history: str = "",
) -> Path:
    """Write verdict.json, junit.xml, summary.md, badge.svg and the pages of a board; give the path of index.html.

    The folder is made if need be, and pages of references that are gone are taken away. Each file is written beside its
    place and renamed, index.html last, so no half page is ever seen.

    Parameters
    ----------
    verdict : Verdict or mapping
        As judged, or as `verdict_to_json` gives it and verdict.json holds it.
    folder : path
        Where to write.
    sensitivity : mapping, optional
        What sensitivity.json holds of these references, for the dashboard to show.
    history : str
        HTML of a section on earlier runs, put into the dashboard as it is.

    Raises
    ------
    BadInput
        The folder cannot be made or written to, or a mapping is not what its file holds
        (`reverdict schema verdict`, `reverdict schema sensitivity`).
    """
    if sensitivity is not None and (slip := misfit(dict(sensitivity), sensitivity_data.json_schema())):
        raise BadInput("sensitivity", f"not what sensitivity.json holds ({slip})")
    handed_in: AbstractContextManager[None] = nullcontext()
    if not isinstance(verdict, Verdict):
        verdict = dict(verdict)
        if slip := misfit(verdict, verdict_data.json_schema(), verdict_data.EARLY):
            newer = of_another_version(verdict.get("schema", verdict_data.SCHEMA), verdict_data.SCHEMA)
            raise BadInput("verdict", newer or f"not a whole verdict of judge_build ({slip})")
        handed_in = of_form("verdict", "verdict of judge_build")
    with handed_in:
        return report.write_report(verdict, Path(folder), sensitivity, history)


# Proofs


def _proven(name: str, response: Response) -> Response:
    """The response, its samples in float64. Raises ValueError or TypeError where it is not as ``Response`` says."""
    if not isinstance(response, Response):
        raise TypeError(f"{name} is {_kind(response)}, needs a Response: Response(samples, rate_hz)")
    samples = response.samples
    _require_array(f"{name}.samples", samples, "(paths, samples)")
    if samples.ndim != 2:
        row = ": samples[np.newaxis]" if samples.ndim == 1 else ""
        raise ValueError(f"{name}.samples has shape {samples.shape}, needs (paths, samples){row}")
    paths = _paths(name, response)
    rate_hz = _within(f"{name}.rate_hz", response.rate_hz, *RATES_HZ, "Hz")
    if rate_hz != round(rate_hz):
        raise ValueError(f"{name}.rate_hz is {rate_hz} Hz, needs a whole number")
    sound = _sound(f"{name}.samples", samples)
    click_at_s = _time(f"{name}.click_at_s", response.click_at_s, sound.shape[1], rate_hz)
    return replace(response, samples=sound, rate_hz=round(rate_hz), click_at_s=click_at_s, paths=paths)


def _paths(name: str, response: Response) -> tuple[str, ...]:
    """Names of the rows, as many as there are."""
    names, (rows, columns) = response.paths, response.samples.shape
    if not isinstance(names, tuple | list) or not all(isinstance(one, str) for one in names):
        raise TypeError(f"{name}.paths is {names!r:.60}, needs a tuple of names, one for each row of samples")
    if len(names) == rows:
        if len(set(names)) < rows:
            raise ValueError(f"{name}.paths is {names!r:.60}, needs names that differ")
        return tuple(names)
    if rows > columns:
        raise ValueError(f"{name}.samples has shape {(rows, columns)}, needs (paths, samples): samples.T")
    of_channels = tuple(f"channel {number}" for number in range(1, rows + 1)) if rows <= 8 else ()
    named = next((one for one in PATHS.values() if len(one) == rows), of_channels)
    meant = f": paths={named!r}" if named else ""
    raise ValueError(f"{name}.paths names {_some(names, 'path')}, {name}.samples has {rows}{meant}")


def _require_array(name: str, samples: NDArray[Any], shape: str) -> None:
    if not isinstance(samples, np.ndarray):
        raise TypeError(f"{name} is {_kind(samples)}, needs a numpy array of shape {shape}")
    if samples.dtype.kind != "f":
        scaled = f": samples / {2 ** (8 * samples.dtype.itemsize - 1)}" if samples.dtype.kind == "i" else ""
        raise ValueError(f"{name} is of {samples.dtype}, needs floats of which 1 is full scale{scaled}")
    if not samples.size:
        raise ValueError(f"{name} has shape {samples.shape}, holds no sound")


def _sound(name: str, samples: NDArray[Any]) -> NDArray[Any]:
    """Samples in float64, which no estimator can choke on."""
    with np.errstate(all="ignore"):
        sound = np.asarray(samples, dtype=np.float64)
        if np.abs(sound).max() <= LARGEST:
            return sound
    wrong = no_sound(sound)
    first = ", ".join(map(str, np.unravel_index(int(np.argmax(wrong)), wrong.shape)))
    count = int(wrong.sum())
    told = f"{name} holds {_some(range(count), 'value')} that {'is' if count == 1 else 'are'} {amiss(sound)}"
    raise ValueError(f"{told}, first at [{first}]")


def _time(name: str, value: float, samples: int, rate_hz: float) -> float:
    """A time within a sound, seconds."""
    at_s = _number(name, value)
    if not (at_s >= 0 and at_s * rate_hz < samples):
        raise ValueError(f"{name} is {at_s:g} s, needs 0 or more, before the sound ends at {samples / rate_hz:g} s")
    return at_s


def _within(name: str, value: float, lowest: float, highest: float, unit: str) -> float:
    number = _number(name, value)
    if not lowest <= number <= highest:
        raise ValueError(f"{name} is {number:g} {unit}, needs {lowest:g} to {highest:g} {unit}")
    return number


def _number(name: str, value: float) -> float:
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        raise TypeError(f"{name} is {_kind(value)}, needs a number")
    try:
        return float(value)
    except OverflowError:
        raise ValueError(f"{name} is too large a number") from None


def _kind(value: object) -> str:
    return f"of type {type(value).__name__}"


def _some(many: Any, word: str) -> str:
    return f"{len(many)} {word}{'' if len(many) == 1 else 's'}"
