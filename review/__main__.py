"""``python -m review`` is the same as ``exchange-review``."""

import sys

from review.cli import main

sys.exit(main())
