#!/bin/sh
# Hears its input and answers nothing.
cat > /dev/null
