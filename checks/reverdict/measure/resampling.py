"""A response brought to another sample rate, so that responses of two rates can be compared.

Method. The spectrum is cut off or filled up with zeros (discrete Fourier transform of a zero-padded record whose length
is a whole number of samples at both rates), and faded out by a raised cosine over the last tenth below the lower of the
two Nyquist frequencies. Phase is not touched: nothing is moved in time.

Conventions. What stays is the spectrum H(f) = Σ h[n] exp(−j2πfn/rate), as fits the response of a digital filter: a
unit click is one sample of 1 at every rate, though its area is 1/rate. Sample values therefore scale with the ratio of
the rates. To compare like with like, a response that has the rate already is faded out as well.

Limits of validity. Exact up to 0.9 of the lower Nyquist frequency. The fade rings for about a millisecond on both
sides; what would ring before the first sample is cut off, as it is of the response beside it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from reverdict.words import Response

KEPT = 0.9
"""Share of the lower Nyquist frequency up to which nothing changes."""

PADDING_S = 0.25
"""Silence added at the end, in which what rings round the ends dies away (by then −160 dB)."""


def at_rate(response: Response, rate_hz: int) -> Response:
    """The response at another rate, shape (paths, floor(samples · rate_hz / its rate)), same click and same paths."""
    from scipy import fft

    own_hz = response.rate_hz
    common = math.gcd(own_hz, rate_hz)
    count = response.samples.shape[1]
    pieces = fft.next_fast_len(math.ceil((count + PADDING_S * own_hz) * common / own_hz))
    before, after = pieces * own_hz // common, pieces * rate_hz // common
    spectrum = fft.rfft(response.samples, before, axis=1)[:, : after // 2 + 1]
    highest = min(own_hz, rate_hz) / 2
    hz = np.arange(spectrum.shape[1]) * own_hz / before
    fading = np.clip((hz / highest - KEPT) / (1 - KEPT), 0.0, 1.0)
    samples = fft.irfft(spectrum * (0.5 + 0.5 * np.cos(np.pi * fading)), after, axis=1)
    return replace(response, samples=np.ascontiguousarray(samples[:, : count * rate_hz // own_hz]), rate_hz=rate_hz)
