"""Build the site: run the demo, make the pages, check every link.

    uv run --group docs python docs/build.py [--study DIR]

The site is written to ``build/site`` and works without a server or network.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path
from urllib.parse import unquote, urlsplit

from generate import STUDY
from lxml import html

ROOT = Path(__file__).resolve().parent.parent
SITE = ROOT / "build" / "site"


def main() -> int:
    """Build and check; 0 when there is no warning and no dead link."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--study", type=Path, help="a finished demo study; without it the demo is run")
    study = parser.parse_args().study
    if study is None:
        study = ROOT / "build" / "demo-study"
        if not (study / "pages").is_dir():
            subprocess.run([sys.executable, "-m", "vibstudy", "demo", study], check=True)
        if not (study / "paper").is_dir():
            subprocess.run([sys.executable, "-m", "vibstudy", "paper", study], check=True)
    environment = os.environ | {STUDY: str(study.absolute()), "NO_MKDOCS_2_WARNING": "1"}
    subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--clean"],
        cwd=ROOT,
        env=environment,
        check=True,
    )
    dead = dead_links(SITE)
    for page, link in dead:
        print(f"{page.relative_to(SITE)}: dead link {link}", file=sys.stderr)
    pages = len(list(SITE.rglob("*.html")))
    print(f"{SITE / 'index.html'}: {pages} pages, {len(dead)} dead links")
    return int(bool(dead))


def dead_links(site: Path) -> list[tuple[Path, str]]:
    """Links within the site that lead nowhere: page and link."""
    identifiers: dict[Path, set[str]] = {}
    for page in site.rglob("*.html"):
        tree = html.parse(str(page), html.HTMLParser(encoding="utf-8", huge_tree=True))
        identifiers[page.resolve()] = {*tree.xpath("//@id"), *tree.xpath("//a/@name"), ""}
        identifiers[page.resolve()] |= {f"\0{link}" for link in tree.xpath("//@href | //@src")}
    dead = []
    for page, known in identifiers.items():
        for link in sorted(name[1:] for name in known if name.startswith("\0")):
            parts = urlsplit(link)
            if parts.scheme or parts.netloc or page.name == "404.html":
                continue
            target = (page.parent / unquote(parts.path)).resolve() if parts.path else page
            target = target / "index.html" if target.is_dir() else target
            anchors = identifiers.get(target)
            if not target.exists() or (anchors is not None and unquote(parts.fragment) not in anchors):
                dead.append((page, link))
    return dead


if __name__ == "__main__":
    sys.exit(main())
