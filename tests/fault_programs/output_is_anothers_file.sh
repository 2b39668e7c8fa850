#!/bin/sh
# Leaves a link to a file that is no business of anybody's.
ln -s /etc/passwd "$2"
