#!/bin/sh
# Greets on standard output before the sound.
echo "Tank 2.1, loading springs"
cat
