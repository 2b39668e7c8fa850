"""``python -m reverdict``."""

import sys

from reverdict.command_line import main

sys.exit(main())
