"""`python -m pedal`: the same as `pedal`."""

import sys

from .cli import main

sys.exit(main())
