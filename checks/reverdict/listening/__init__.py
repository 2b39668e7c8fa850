"""What a reverb sounds like: dry sounds of our own through golden, candidate and their difference. Arrays in and out.

``dry`` makes the sounds, ``loudness`` measures how loud they come out, ``excerpts`` puts them through responses, at one
level.
"""
