"""``python -m vidseg``."""

import sys

from vidseg.cli import main

sys.exit(main())
