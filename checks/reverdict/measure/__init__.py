"""Measuring: arrays in, frozen dataclasses with uncertainties out. Knows no files, no tolerances, no builds.

excerpt   the early response as a one-sided spectrum, and folding (dechirping) on it
springs   which springs answer, when each pass arrives, and how much later high frequencies come
lag       sub-sample lag of one response against another
bands     IEC 61260-1 octave bands
decay     energy decay curve, noise floor, EDT/T20/T30
click     when the click went in, where the recording does not say
"""
