"""What the demonstration brings along: the notebooks and the claims.

The notebooks lie in ``notebooks/`` of a checkout and in ``vibstudy/_notebooks/`` of an installed package.
"""

from __future__ import annotations

from pathlib import Path

import vibstudy
from vibstudy.errors import VibstudyError

CLAIMS = Path(__file__).with_name("claims.toml")
"""The claims of the demonstration; the repository's own ``claims.toml`` is the same."""


def notebook_sources() -> list[Path]:
    """Return the notebooks as they are kept (``.py`` or ``.ipynb``), in the order of their numbers.

    Raises
    ------
    VibstudyError
        When the installation lacks them.
    """
    package = Path(vibstudy.__file__).parent
    for folder in (package / "_notebooks", package.parent / "notebooks"):
        found = sorted(path for path in folder.glob("[0-9]*_*") if path.suffix in (".py", ".ipynb"))
        if found:
            return found
    raise VibstudyError(
        "the notebooks are missing from this installation", str(package), repair="Install it again"
    )
