"""Measuring: arrays in, frozen dataclasses with uncertainties out. Knows no files, no tolerances, no builds.

excerpt   the early response as a one-sided spectrum, and folding (dechirping) on it
springs   which springs answer, when each pass arrives, and how much later high frequencies come
latency   what all springs share of it: when the click really went into them
lag       sub-sample lag of one response against another
bands     IEC 61260-1 octave and third-octave bands
decay     all of the following, band by band, from one energy decay curve
  truncation      where the decay meets the noise
  decay_times     EDT, T20, T30, T60, curvature
  energy_ratios   C50, C80, D50, Ts, counted from the arrival
  two_slopes      a decay in two stages, and the knee between them
  echo_density    how dense the echoes are, and when they have mixed
relief    energy decay relief, over time and frequency
repeats   spread over repeats; what random excitation does to decay times
click     when the click went in, where the recording does not say
figures   a measurement in figures, to hold a later analysis against
version   which analysis it is, and when to raise its number
rising    does a recording hold a sweep that was not deconvolved?
"""
