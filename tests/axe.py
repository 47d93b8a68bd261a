"""axe-core (rules of accessibility; its Python packaging brings the script) on a page in Chromium."""

from __future__ import annotations

from typing import Any

LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
"""Web Content Accessibility Guidelines 2.2, levels A and AA: https://www.w3.org/TR/WCAG22/"""


def faults(tab: Any, context: str | None = None) -> list[str]:
    """Return a line a fault that axe finds on a page of Playwright: rule, place, what is wrong.

    Parameters
    ----------
    tab : playwright.sync_api.Page
    context : str | None
        CSS selector of the part that is checked; None is the whole page.
    """
    from axe_playwright_python.sync_playwright import Axe

    options = {"runOnly": {"type": "tag", "values": LEVELS}, "resultTypes": ["violations"]}
    found = Axe().run(tab, context=context, options=options).response
    assert found["passes"], "nothing was checked"
    return [
        f"{fault['id']}: {node['html'][:160]} ({' '.join(node['failureSummary'].split())})"
        for fault in found["violations"]
        for node in fault["nodes"]
    ]
