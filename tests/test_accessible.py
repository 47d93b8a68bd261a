"""Every page that the toolkit writes, held against the Web Content Accessibility Guidelines by axe-core.

The draft is held against them in ``test_paper``, the listening room in ``test_review_browser``.
"""

from __future__ import annotations

import pytest

from tests.axe import faults
from tests.review_study import make_review_study
from tests.test_listening import chromium_path
from vibstudy.pages.audience import write_audience_page
from vibstudy.pages.first_look import write_first_look
from vibstudy.pages.listening import write_listening_page
from vibstudy.pages.passage import Passage, write_passage_page
from vibstudy.pages.write import write_pages

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A measured study with every page that can be made of it."""
    folder = make_review_study(tmp_path_factory.mktemp("accessible") / "study")
    (folder / "study.toml").write_text('[run]\npage_sound = "yes"\n', encoding="utf-8")
    write_first_look(folder / "results")
    write_pages(folder)
    write_listening_page(folder, wider=[2.0])
    write_audience_page(folder, most=3)
    write_passage_page(folder, Passage(takes=("take0,0,4", "take1,0,4")))
    return folder


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        yield chromium
        chromium.close()


WHOLE = ("results/first-look.html", "audience.html")
"""Pages whose pictures fit into a narrow window, letters and all."""


@pytest.mark.parametrize(
    "page",
    [
        "recording-pages/index.html",
        "recording-pages/recording/take0.html",
        "results/first-look.html",
        "listening.html",
        "audience.html",
        "passage.html",
    ],
)
@pytest.mark.parametrize("width", [1280, 390])
def test_a_page_has_no_fault(study, browser, page, width):
    tab = browser.new_page(viewport={"width": width, "height": 900})
    tab.goto((study / page).as_uri())
    assert faults(tab) == []
    assert tab.evaluate("document.documentElement.scrollWidth") <= width + 1  # nothing runs off the page
    narrowest_px = "Math.min(...[...document.querySelectorAll('audio')].map(node => node.clientWidth))"
    assert tab.evaluate(narrowest_px) > 150  # else it has no key to play
    heights_px = "[...document.querySelectorAll('svg text')].map(node => node.getBoundingClientRect().height)"
    assert all(height > 8 for height in tab.evaluate(heights_px) if height)  # letters can be read
    cut = "[...document.querySelectorAll('svg, img')].some(node => node.clientWidth > innerWidth)"
    said = "[...document.querySelectorAll('.narrow')].some(node => node.checkVisibility())"
    assert tab.evaluate(cut) == tab.evaluate(said) == (width == 390 and page not in WHOLE)
    tab.close()


def test_a_fault_would_be_found(browser):
    tab = browser.new_page()
    tab.set_content('<html><body><img src="data:,"><p style="color:#ccc">pale</p></body></html>')
    assert {line.split(":")[0] for line in faults(tab)} >= {"image-alt", "color-contrast", "html-has-lang"}
    tab.close()
