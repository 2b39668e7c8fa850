#!/bin/sh
# Writes a little too much.
cat
printf '\001\002'
