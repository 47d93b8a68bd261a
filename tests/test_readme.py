"""The README followed word by word in a fresh environment: its own lines, taken from it, do what it says.

``uv tool install .`` builds the wheel and installs it alone; nothing of this checkout is on the path. Lines
that take minutes, or open a window, are listed with the test that tries them; a new line in the README must
be run here or listed.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile as sf

from vibstudy.cli import app
from vibstudy.playing.tones import SAMPLE_RATE_HZ, ToneSpec, make_tone

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
STUDY = "my-study"

ELSEWHERE = {
    "pip install uv && uv run vibstudy demo": "minutes: docs/build.py runs it, test_demo.py a small one",
    "uv run pytest": "this",
    "uv tool update-shell": "changes the user's shell",
    "uv run python docs/build.py": "minutes: run after the tests in continuous integration",
    "uv run vibstudy …": "no line to type",
    "vibstudy …": "no line to type",
    "vibstudy lab my-study": "opens a browser: test_hostile.py, test_review_browser.py",
    "vibstudy review": "opens a browser: test_review_browser.py",
    "vibstudy pages": "test_pages.py",
    "vibstudy expect FILE": "test_pages.py",
    "vibstudy paper": "test_paper.py",
    "vibstudy listening": "test_listening.py",
    "vibstudy tone": "test_tones.py",
    "vibstudy verify": "test_package.py",
    "vibstudy pool PACKAGE…": "test_pool.py",
}


def typed() -> list[str]:
    """Every line of the README to be typed, in order: those in blocks and those inside the text."""
    found = []
    pattern = r"^```\n(.*?)^```|^\| (`vibstudy [^|]*) \||`((?:vibstudy|uv) [^`]+)`"
    for block, cell, inline in re.findall(pattern, TEXT, re.M | re.S):
        in_cell = [f"vibstudy {line.removeprefix('vibstudy ')}" for line in re.findall(r"`([^`]+)`", cell)]
        found += block.splitlines() if block else in_cell or [inline]
    return list(dict.fromkeys(found))


def test_every_line_of_the_readme_is_tried():
    lines = typed()
    assert set(ELSEWHERE) <= set(lines), set(ELSEWHERE) - set(lines)
    known = {command.name or command.callback.__name__ for command in app.registered_commands}
    named = {line.split()[1] for line in lines if line.startswith("vibstudy ")} - {"…", "--help"}
    assert named <= known and len(named) >= 12


def test_from_new_to_the_first_look_in_four_lines():
    begin = TEXT.index("## Your own recordings")
    own = [line for line in typed() if TEXT.find(line, begin) > 0]
    first = own[: own.index(f"vibstudy measure {STUDY}/corpus_manifest.csv") + 1]
    assert len([line for line in first if line not in ELSEWHERE]) <= 4, first


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> tuple[Path, dict[str, str]]:
    """A folder outside the checkout, and an environment in which nothing of it is known."""
    folder = tmp_path_factory.mktemp("reader")
    bin_folder = folder / "bin"
    inside = ("PYTHONPATH", "VIRTUAL_ENV", "UV_RUN_RECURSION_DEPTH")
    environment = {key: value for key, value in os.environ.items() if key not in inside}
    environment |= {"UV_TOOL_DIR": str(folder / "tools"), "UV_TOOL_BIN_DIR": str(bin_folder)}
    return folder, environment | {"PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}"}


def fill_in(study: Path) -> None:
    """What the README asks of the reader between the lines: two recordings, and the five columns."""
    for k, rate in enumerate((5.0, 6.5)):
        tones = [make_tone(ToneSpec(hz, rate, 30.0, duration_s=1.2)) for hz in (392.0, 440.0)]
        sound = np.concatenate([np.zeros(SAMPLE_RATE_HZ // 4), *tones])
        sf.write(study / "audio" / f"take{k}.wav", sound, SAMPLE_RATE_HZ, subtype="PCM_16")
    header = (study / "corpus_manifest.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    rows = [
        {"recording_id": f"take{k}", "path": f"audio/take{k}.wav", "player": f"Invented {k}", "decade": 1950}
        | {"region": "north"}
        for k in range(2)
    ]
    pd.DataFrame(rows).reindex(columns=header).to_csv(study / "corpus_manifest.csv", index=False)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.skipif(
    shutil.which("uv") is None and not os.environ.get("CI"), reason="needs uv: pip install uv"
)
def test_the_lines_do_what_the_readme_says(home):
    folder, environment = home
    done: dict[str, str] = {}
    for line in [line for line in typed() if line not in ELSEWHERE]:
        where = ROOT if line.startswith("uv ") else folder
        command = line.replace("NAME", "take0").replace("TAKE.wav", "audio/take0.wav")
        if line.startswith("vibstudy ") and STUDY not in line:
            where = folder / STUDY  # "in every folder": the further commands are typed in the study
        ran = subprocess.run(
            command, shell=True, cwd=where, env=environment, capture_output=True, text=True, encoding="utf-8"
        )
        done[line] = ran.stdout + ran.stderr
        assert ran.returncode == 0, (command, done[line])
        if line == f"vibstudy new {STUDY}":
            assert list((folder / STUDY / "notebooks").glob("*.ipynb"))
            fill_in(folder / STUDY)
    ready = f"nothing to mend. Next: vibstudy measure {STUDY}/corpus_manifest.csv\n"
    assert done[f"vibstudy check {STUDY}/corpus_manifest.csv"].endswith(ready)
    assert "2 measured" in done[f"vibstudy measure {STUDY}/corpus_manifest.csv"]
    assert "my-study/results/first-look.html" in TEXT
    assert (folder / STUDY / "results" / "first-look.html").is_file()
    assert len(pd.read_csv(folder / STUDY / "results" / "notes.csv")) == 4
