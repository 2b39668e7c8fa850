"""The physical checks, one module each, with the same face: ``judge(…) -> list[Finding]``.

echo_timing, group_delay, energy_decay   judge(measured, beside, settings): golden and candidate, measured together
by ``measure.measurement`` because they share its work
cost, conduct                            bring their own ``measure``: they look at runs, not at sound
"""
