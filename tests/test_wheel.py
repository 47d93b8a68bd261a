"""The wheel installs alone and works outside the checkout."""

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


@pytest.fixture(scope="module")
def outside(wheel, tmp_path_factory) -> tuple[Path, Path]:
    """A folder outside the checkout, and the installed command."""
    folder = tmp_path_factory.mktemp("outside")
    run("uv", "venv", folder / "venv", cwd=folder)
    scripts = folder / "venv" / ("Scripts" if os.name == "nt" else "bin")
    run("uv", "pip", "install", "--python", folder / "venv", wheel, cwd=folder)
    return folder, scripts / "vibstudy"


def test_the_wheel_holds_what_is_needed_and_no_more(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert any(name.startswith("vibstudy/_notebooks/") for name in names)
    assert {f"vibstudy/review/{name}.js" for name in ("words", "ribbon", "review")} <= set(names)
    tops = {name.split("/")[0] for name in names}
    assert all(top == "vibstudy" or top.endswith(".dist-info") for top in tops), tops


def test_the_command_works_outside_the_checkout(outside):
    folder, vibstudy = outside
    assert "What most people need" in run(vibstudy, "--help", cwd=folder)
    run(vibstudy, "new", "study", cwd=folder)
    assert (folder / "study" / "corpus_manifest.csv").is_file()
    assert list((folder / "study" / "notebooks").glob("*.ipynb"))


def test_a_recording_is_measured_outside_the_checkout(outside):
    folder, vibstudy = outside
    run(vibstudy, "tone", "tone.wav", "--duration", "2", cwd=folder)
    (folder / "manifest.csv").write_text(
        "recording_id,path,player,decade,region\na,tone.wav,Invented,1950,north\n", encoding="utf-8"
    )
    said = run(vibstudy, "measure", "manifest.csv", "--out", "out", "--workers", "1", cwd=folder)
    assert "1 measured" in said and (folder / "out" / "notes.csv").is_file()
