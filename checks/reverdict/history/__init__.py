"""What runs of the gate were kept, and what they tell together: how each quantity moved over releases.

``moves`` is pure: numbers in, steps and drifts out. ``runs`` keeps and reads the files, ``index`` holds them in a
database that can be thrown away, ``lines`` puts the readings of each quantity in a row and asks ``moves`` about it.
"""
