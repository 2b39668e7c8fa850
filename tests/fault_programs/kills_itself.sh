#!/bin/sh
# Dies as if the system had run out of memory.
kill -KILL $$
