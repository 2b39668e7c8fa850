"""What to read before anything is played into hardware."""

CAUTIONS = """\
Before anything is played:
  - Take the signal from a rated line output. Do not open an amplifier for it: valve amplifiers hold hundreds of volts,
    which kill, long after they are unplugged; inside work is for trained people under local electrical codes.
  - No headphones on, and nobody near a loudspeaker, while a stimulus is played: it may damage hearing.
  - Switch direct monitoring and phantom power of the interface off: the one closes a loop through the hardware, the
    other puts 48 V on its output. Mind that an instrument input takes less than a line output gives.
  - Low level first: start with the output 40 dB down (at -40 dBFS), ramp up, and stop where the level nears clipping.
"""
