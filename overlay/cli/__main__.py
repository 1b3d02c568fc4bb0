"""`python -m overlay.cli`: the same as the installed command."""

import sys

from overlay.cli import main

sys.exit(main())
