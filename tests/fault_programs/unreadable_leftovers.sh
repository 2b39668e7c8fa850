#!/bin/sh
# Leaves temporary files that may not be read or removed.
mkdir -p "$TMPDIR/a/b" && cp "$1" "$TMPDIR/a/b/c" && chmod 000 "$TMPDIR/a/b/c" "$TMPDIR/a/b" "$TMPDIR/a"
cp "$1" "$2"
