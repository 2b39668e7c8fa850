"""What to read before anything is played into hardware."""

CAUTIONS = """\
Before anything is played:
  - Take the signal from a rated line output. Do not open an amplifier for it: valve amplifiers hold hundreds of volts,
    which kill, long after they are unplugged; inside work is for trained people under local electrical codes.
  - No headphones on, and nobody near a loudspeaker, while a stimulus is played: it may damage hearing.
  - Low level first: start with the output 40 dB down (at -40 dBFS), ramp up, and stop where the level nears clipping.
"""
