#!/bin/sh
# Stops as Ctrl-Z would stop it.
kill -STOP $$
