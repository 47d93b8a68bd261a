"""The wheel holds what it should; that it installs alone and works is tried in ``test_readme.py``."""

from __future__ import annotations

import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(900),
    pytest.mark.skipif(
        shutil.which("uv") is None and not os.environ.get("CI"), reason="needs uv: pip install uv"
    ),
]


def run(*words: str | Path, cwd: Path) -> str:
    """Run a program away from the checkout; what it says."""
    inside = ("PYTHONPATH", "VIRTUAL_ENV")
    environment = {key: value for key, value in os.environ.items() if key not in inside}
    command = [str(word) for word in words]
    done = subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    run("uv", "build", "--wheel", "--out-dir", folder, ROOT, cwd=folder)
    (found,) = folder.glob("vibstudy-*.whl")
    return found


def test_the_wheel_holds_what_is_needed_and_no_more(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert any(name.startswith("vibstudy/_notebooks/") for name in names)
    assert {f"vibstudy/review/{name}.js" for name in ("words", "ribbon", "page", "review")} <= set(names)
    tops = {name.split("/")[0] for name in names}
    assert all(top == "vibstudy" or top.endswith(".dist-info") for top in tops), tops
