#!/bin/sh
# Prints its progress into the middle of the sound.
head -c 8000
printf 'rendering block 17 of 75 now\n'
cat
