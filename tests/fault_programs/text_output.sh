#!/bin/sh
# Writes what it would have said into its output.
echo "usage: reverb [options] file" > "$2"
