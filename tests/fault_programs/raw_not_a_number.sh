#!/bin/sh
# Not numbers but letters of another kind: 0xff throughout.
head -c 19200 /dev/zero | tr '\000' '\377'
