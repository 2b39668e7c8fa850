"""Capturing: a stimulus played into hardware through a sound interface, and what comes back made into a response.

    plan        what is to be played and recorded, and in which words that is told before anything sounds
    cautions    what to read before anything is played
    card        the library boundary: the only module that knows it; the limiter, through which everything goes
    ramp        from a low level up, until there is signal enough, or clipping is near
    capturing   ramp, takes, faults, deconvolution
    folder      a ``recordings`` build written, beside what was played and recorded
    worker      the same in a child process, for builds of kind ``interface``

What a recording says is measured in ``measure``; nothing here judges.
"""
