#!/bin/sh
# Opens its output and gets no further.
: > "$2"
