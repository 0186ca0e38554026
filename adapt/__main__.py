"""`python -m adapt` is the same as `adapt`."""

import sys

from adapt.cli import main

sys.exit(main())
