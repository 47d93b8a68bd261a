"""What axe-core finds on the built site: ``uv run python -m docs.site_faults [build/site]``.

Prints each rule of WCAG 2.2 A and AA that is broken, on how many pages of how many, and the first place, at a
wide and at a narrow window. What is the theme's own stands in DEVELOPERS.md; anything else is ours to mend.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.axe import faults
from tests.lab import chromium

WIDTHS = (1280, 500)


def main(site: Path) -> None:
    """Open every page and print the table."""
    pages = sorted(site.rglob("*.html"))
    found: dict[str, dict[Path, str]] = {}
    with chromium() as browser:
        for page in pages:
            for width in WIDTHS:
                tab = browser.new_page(viewport={"width": width, "height": 900})
                tab.goto(page.absolute().as_uri())
                for fault in faults(tab):
                    found.setdefault(fault.split(":")[0], {})[page] = fault
                tab.close()
    for rule, places in sorted(found.items()):
        first, words = next(iter(places.items()))
        print(
            f"{rule}: {len(places)} of {len(pages)} pages, first {first.relative_to(site)}\n    {words[:300]}"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "build/site"))
