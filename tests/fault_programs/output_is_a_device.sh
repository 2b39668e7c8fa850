#!/bin/sh
# Leaves a link to a device that never ends.
ln -s /dev/zero "$2"
