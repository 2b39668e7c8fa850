#!/bin/sh
# Says that all went well, and did nothing.
exit 0
