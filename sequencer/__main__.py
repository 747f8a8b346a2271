"""`python -m sequencer` is nightramp."""

import sys

from sequencer.cli import main

sys.exit(main())
