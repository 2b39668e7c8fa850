"""Conduct: one finding that says whether there is usable output."""

from __future__ import annotations

import numpy as np
import pytest

from reverdict.check import conduct
from reverdict.reference import Conduct
from reverdict.render import Failure, Rendered
from reverdict.words import Outcome, Response


def test_a_usable_output_passes_with_its_notes():
    rendered = Rendered(Response(np.array([[0.5, -0.25]]), 48000), ("longer than asked", "odd"))
    (finding,) = conduct.judge(rendered, None, Conduct())
    assert (finding.quantity, finding.outcome, finding.reason) == ("output", Outcome.PASS, "longer than asked; odd")
    # 20 lg 0.5 (derived)
    assert conduct.measure(rendered).peak_db == pytest.approx(-6.0206, abs=1e-4)


def test_a_failure_fails_with_its_reason():
    failure = Failure("died by SIGSEGV (segmentation fault)")
    (finding,) = conduct.judge(failure, None, Conduct())
    assert (finding.outcome, finding.reason) == (Outcome.FAIL, "died by SIGSEGV (segmentation fault)")
    assert conduct.measure(failure).peak_db is None
