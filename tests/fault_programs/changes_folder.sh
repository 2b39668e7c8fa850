#!/bin/sh
# Works elsewhere than where it was started.
cd / && cp "$1" "$2" && cd "$TMPDIR" && mkdir inner && cd inner && rmdir ../inner
