"""``python -m vibstudy``: the same as ``vibstudy``."""

import sys

from vibstudy.cli import main

sys.exit(main())
