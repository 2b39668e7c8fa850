"""What the tolerances of a reference are worth: graded faults injected into its golden, and the smallest one caught.

Method
    The golden is measured once and its springs are fitted once. Then every fault of ``faults.catalogue`` is searched
    (``searching``): each size is injected, measured beside the golden and judged by all checks but cost, as a build's
    response would be. Worker processes search one fault each.
Files
    FOLDER/sensitivity.json is written anew, beside and renamed, after every fault (``report.data.sensitivity`` says how
    it reads). A reference carries a key: a digest of its impulses, of everything its TOML asks, and of the source that
    measures, injects and judges. Started again, what has the same key is kept and only the rest is done; cut off at
    any moment, all faults that were finished stay.
Limits of validity
    One fault at a time, in the golden's own sound. A golden that does not pass beside itself tells nothing, and says
    so.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import signal
import threading
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import reverdict
from reverdict import golden_set, judging
from reverdict.asked import request_of
from reverdict.durable import replace_text
from reverdict.errors import BadInput, cause
from reverdict.faults import Catalogue, Fault, catalogue
from reverdict.fit import TankFit, fit_tank
from reverdict.measure.measurement import Measurement, measure
from reverdict.phrases import of_another_version
from reverdict.reading import json_of, misfit
from reverdict.report.data.sensitivity import json_schema
from reverdict.searching import GATE, LEVELS, Outcomes, Tried, edge, search
from reverdict.trial import judge_response
from reverdict.words import CHECKS, Outcome

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from reverdict.golden_set import GoldenReference
    from reverdict.reference import Reference
    from reverdict.words import Response

RESULTS_FILE = "sensitivity.json"
SCHEMA = 1
COUNTED_SOURCES = ("check", "faults", "fit", "measure", "judging.py", "searching.py", "sensitivity.py", "trial.py")
"""Rooms and modules of which a change makes older results void."""

Json = dict[str, Any]


@dataclass(frozen=True)
class Subject:
    """A golden with all that is found out once: its measurement, and the fit of each path."""

    golden: GoldenReference
    measured: Measurement
    fits: tuple[TankFit, ...]

    def catalogue(self) -> Catalogue:
        """Every fault that it can be given."""
        reference = self.golden.reference
        request = request_of(reference)
        # A recording's click is not known; it is taken to answer one of full scale.
        click_level = 1.0 if reference.origin == "capture" else request.click_level
        return catalogue(
            self.golden.response, self.measured, self.fits, request.block_size, request.preroll_samples, click_level
        )

    def judge(self, response: Response) -> Outcomes:
        """What every check but cost, and the gate, say of a response."""
        verdicts = judge_response(self.golden, self.measured, response)
        outcomes = {one.check: one.outcome for one in verdicts}
        return {**outcomes, GATE: judging.reference_outcome(verdicts)}

    def search(self, fault: Fault) -> list[Tried]:
        """Every size of a fault that was judged, the mildest first."""
        response = self.golden.response
        return search(fault, lambda size: self.judge(fault.injected(response, size)))


def sensitivity(
    golden_folder: Path, folder: Path, only: str = "*", jobs: int = 1, progress: Callable[[str], None] = lambda _: None
) -> Json:
    """Search every fault of the selected references, as far as that is not done yet.

    Parameters
    ----------
    folder : path
        Where sensitivity.json lives; it must be there.
    jobs : int
        Worker processes; with 1 all is done in this one.
    progress : callable
        Told what is under way, a line at a time.

    Returns
    -------
    dict
        What stands in sensitivity.json, of the selected references only.

    Raises
    ------
    BadInput
        A reference or an impulse cannot be used, nothing was selected, or sensitivity.json is none of ours.
    """
    goldens = golden_set.load(golden_folder, only)
    results = _Results(folder / RESULTS_FILE)
    progress(f"injecting faults into {_count(len(goldens), 'reference')}, {_count(jobs, 'process', 'processes')}")
    for golden in goldens:
        entry = results.of(golden.reference)
        if not entry["complete"]:
            _complete(golden, entry, results, jobs, progress)
    return results.only({golden.name for golden in goldens})


def current(folder: Path, references: Iterable[Reference]) -> Json | None:
    """The results that lie in a folder, of these references as they stand; None where there are none.

    Entries of an older golden, other tolerances or another version of the suite are left out.
    """
    file = folder / RESULTS_FILE
    if not file.is_file():
        return None
    keys = {reference.name: key_of(reference) for reference in references}
    results = _Results(file)
    wanted = {one["name"] for one in results.content["references"] if one["key"] == keys.get(one["name"])}
    return results.only(wanted) if wanted else None


def key_of(reference: Reference) -> str:
    """Digest of everything that a result rests on."""
    asked = {check: asdict(reference.settings(check)) for check in CHECKS}
    facts = {
        "files": [(file.input, file.sha256) for file in reference.files],
        "asked": asked,
        "render": asdict(reference.render),
        "origin": reference.origin,
        "channels": reference.channels,
        "rate_hz": reference.rate_hz,
        "source": _source_digest(),
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True, default=str).encode()).hexdigest()


def _source_digest() -> str:
    package = Path(reverdict.__file__).parent
    digest = hashlib.sha256()
    for name in COUNTED_SOURCES:
        place = package / name
        for file in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            digest.update(file.read_bytes())
    return digest.hexdigest()


class _Results:
    """sensitivity.json: read once, written whole after every change."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.content: Json = {"schema": SCHEMA, "suite_version": reverdict.__version__, "references": []}
        if not file.exists():
            return
        try:
            content = json_of(file)
            named = [(one["name"], one["key"], one["faults"]) for one in content["references"]]
        except (BadInput, KeyError, TypeError) as error:
            raise BadInput(file, "is no result of reverdict sensitivity; move it away, or report elsewhere") from error
        if why := of_another_version(content.get("schema"), SCHEMA):
            raise BadInput(file, f"{why}, or report elsewhere")
        if slip := misfit(content, json_schema()) or _strange(content):
            raise BadInput(
                file, f"is no whole result of reverdict sensitivity ({slip}); move it away, or report elsewhere"
            )
        if named:
            self.content = {**content, "suite_version": reverdict.__version__}

    def of(self, reference: Reference) -> Json:
        """The entry of a reference: what is there, if it rests on the same, or a new one."""
        key = key_of(reference)
        entries = self.content["references"]
        found = next((one for one in entries if one["name"] == reference.name), None)
        if found and found["key"] == key:
            return dict(found)
        return {
            "name": reference.name, "title": reference.title, "rate_hz": reference.rate_hz, "key": key,
            "complete": False, "why_none": "", "residual_db": [], "not_injected": [], "faults": [],
        }  # fmt: skip

    def put(self, entry: Json) -> None:
        """Put an entry in its place, by name, and write the file."""
        others = [one for one in self.content["references"] if one["name"] != entry["name"]]
        self.content["references"] = sorted([*others, entry], key=lambda one: str(one["name"]))
        try:
            replace_text(self.file, json.dumps(self.content, indent=1, ensure_ascii=False) + "\n")
        except OSError as error:
            raise BadInput(self.file, f"cannot be written ({cause(error)})") from error

    def only(self, names: set[str]) -> Json:
        """The content with these references only."""
        return {**self.content, "references": [one for one in self.content["references"] if one["name"] in names]}


def _strange(content: Json) -> str:
    """What no search tells, though it has the form of a result; empty where there is nothing of the kind."""
    for fault in (fault for one in content["references"] for fault in one["faults"]):
        gate, trials = fault["caught"]["gate"], fault["trials"]
        sizes = [fault["mild"], fault["grave"], *(one["size"] for one in trials)]
        if fault["heard"]:
            sizes.append(fault["heard"]["size"])
        if fault["scale"] == "log" and min(sizes) <= 0:
            return f"{fault['fault']}: a size that is not above 0"
        stopped = [one["size"] for one in trials if one["gate"] in LEVELS and {*one["stopped_by"]} & {*CHECKS}]
        if gate is None or gate["stopped_from"] not in (None, *stopped):
            return f"{fault['fault']}: stopped from another size on than what was tried says"
    return ""


def _complete(
    golden: GoldenReference, entry: Json, results: _Results, jobs: int, progress: Callable[[str], None]
) -> None:
    """Do what an entry lacks, fault by fault."""
    progress(f"{golden.name}: measuring")
    measured = measure(golden.response, golden.reference.echo_timing.arrival_hz)
    plain = Subject(golden, measured, ())
    verdicts = judge_response(golden, measured, golden.response)
    if judging.reference_outcome(verdicts) is not Outcome.PASS:
        entry["why_none"] = f"beside itself the golden does not pass: {judging.reference_reason(verdicts)}"
        results.put({**entry, "complete": True})
        return
    subject = Subject(golden, measured, tuple(_fits(plain, progress)))
    found = subject.catalogue()
    entry["residual_db"] = [round(fit.residual_db, 1) if fit.model else None for fit in subject.fits]
    entry["not_injected"] = [asdict(one) for one in found.not_injected]
    order = {fault.name: number for number, fault in enumerate(found.faults)}
    done = {one["fault"]: one for one in entry["faults"]}
    waiting = [number for name, number in order.items() if name not in done]
    progress(f"{golden.name}: {len(done)} of {len(order)} faults done")
    for number, tried in _searched(subject, waiting, jobs):
        fault = found.faults[number]
        done[fault.name] = record(fault, tried)
        entry["faults"] = sorted(done.values(), key=lambda one: order[one["fault"]])
        results.put(entry)
        progress(f"{golden.name}: {len(done)} of {len(order)} faults done, last {fault.name}")
    results.put({**entry, "complete": True})


def _fits(subject: Subject, progress: Callable[[str], None]) -> Iterator[TankFit]:
    response = subject.golden.response
    for row, path in zip(response.samples, subject.measured.paths, strict=True):
        if not path.springs.springs:
            yield TankFit(None, why_none=path.springs.why_none)
            continue
        where = f" of {path.path}" if path.path else ""
        progress(f"{subject.golden.name}: fitting the springs{where}")
        yield fit_tank(row, response.rate_hz, response.click_at_s, path.springs)


def record(fault: Fault, tried: list[Tried]) -> Json:
    """What sensitivity.json says of one fault."""
    return {
        "fault": fault.name,
        "about": fault.about,
        "unit": fault.unit,
        "mild": fault.mild,
        "grave": fault.grave,
        "scale": fault.scale,
        "ways": list(fault.ways),
        "heard": asdict(fault.heard) if fault.heard else None,
        "caught": {name: _caught(tried, name) for name in tried[0].outcomes},
        "trials": [
            {
                "size": one.size,
                "gate": str(one.outcomes[GATE]),
                "checks": {name: str(outcome) for name, outcome in one.outcomes.items() if name != GATE},
                "stopped_by": list(one.stopped_by),
                "milder_way": one.way,
            }
            for one in tried
        ],
    }


def _caught(tried: list[Tried], name: str) -> Json | None:
    if tried[0].outcomes[name] is Outcome.NOT_ASKED:
        return None
    stopped, failed = (edge(tried, name, level) for level in LEVELS)
    return {
        "stopped_from": stopped.size,
        "fails_from": failed.size,
        "at_mildest": stopped.at_mildest,
        "slips_again_at": list(stopped.slips_again),
    }


# Worker processes


def _searched(subject: Subject, numbers: list[int], jobs: int) -> Iterator[tuple[int, list[Tried]]]:
    """The faults of these numbers as they are done. Whatever ends this ends the workers, too."""
    if jobs == 1 or len(numbers) < 2:
        for number in numbers:
            yield _search_one(subject, number)
        return
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(min(jobs, len(numbers)), context, _begin_worker)
    try:
        for done in as_completed([pool.submit(_search_one, subject, number) for number in numbers]):
            yield done.result()
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for worker in set(multiprocessing.active_children()) - others:
            worker.terminate()
        raise
    finally:
        pool.shutdown()


def _search_one(subject: Subject, number: int) -> tuple[int, list[Tried]]:
    # Faults hold functions, which do not travel between processes; the catalogue of a subject is always the same.
    return number, subject.search(subject.catalogue().faults[number])


def _begin_worker() -> None:
    """Leave Ctrl-C to the parent, and end when it ends, however that comes about."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def end_with_parent() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=end_with_parent, daemon=True).start()


def _count(number: int, noun: str, plural: str = "") -> str:
    return f"{number} {noun if number == 1 else plural or noun + 's'}"
