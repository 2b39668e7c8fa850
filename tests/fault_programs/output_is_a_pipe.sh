#!/bin/sh
# Leaves a named pipe for its output: whoever opens it waits.
mkfifo "$2"
