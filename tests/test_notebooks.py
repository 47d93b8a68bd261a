"""The study's notebooks run on every kind of study, and say what a study cannot show.

Cells are run in this process, with what they show collected; the slow tests run the same files through
a kernel and make the pages.
"""

from __future__ import annotations

import json
import re
from io import BytesIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from tests.frame_numbers import AGREED, found, numbers_of, text_of
from tests.invented_study import invented_notes
from vibstudy.corpus.newstudy import read_notebook
from vibstudy.errors import VibstudyError
from vibstudy.figures.style import HouseFigure
from vibstudy.stats import simulate_power
from vibstudy.stats.effects import PER_DECADE, standard_effects
from vibstudy.study import open_study

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.py"))
RATE_HZ = 8000
TAGS = ["player", "decade", "region", "medium", "accompaniment", "piece", "tempo_bpm"]


def make_study(
    folder: Path, notes: pd.DataFrame, tags: list[str] = TAGS, measured: bool = True, truth: bool = False
) -> Path:
    """Write a study folder around a note table: manifest, sound, and results if `measured`."""
    (folder / "audio").mkdir(parents=True)
    manifest = notes.groupby("recording_id", sort=False)[tags].first().reset_index()
    manifest.insert(1, "path", "audio/" + manifest["recording_id"] + ".wav")
    manifest.to_csv(folder / "corpus_manifest.csv", index=False)
    gone = [name for name in TAGS if name not in tags]
    notes = notes.drop(columns=gone)
    if "tempo_bpm" in gone:
        notes = notes.assign(pulses_per_beat=np.nan)
    for recording_id, own in notes.groupby("recording_id", sort=False):
        times = np.arange(0, own["offset_s"].max() + 0.3, 0.005)
        pitch, level = np.full(len(times), np.nan), np.zeros(len(times))
        for row in own.to_dict("records"):
            inside = (times >= row["onset_s"]) & (times < row["offset_s"])
            wave = np.zeros(inside.sum())
            if row["has_vibrato"] is not pd.NA and row["has_vibrato"]:
                wave = row["extent_cents"] * np.sin(2 * np.pi * row["rate_hz"] * times[inside])
            pitch[inside] = row["pitch_hz"] * 2 ** (wave / 1200)
            level[inside] = 0.2
        hop = int(0.005 * RATE_HZ)
        phase = 2 * np.pi * np.cumsum(np.repeat(np.nan_to_num(pitch), hop)) / RATE_HZ
        soundfile.write(folder / f"audio/{recording_id}.wav", np.repeat(level, hop) * np.sin(phase), RATE_HZ)
        if measured:
            cache = folder / "results" / "cache" / str(recording_id)
            cache.mkdir(parents=True)
            line = pd.DataFrame({"time_s": times, "f0_hz": pitch, "level_db": -20.0, "note_number": 0})
            line.to_parquet(cache / "line.parquet")
    if measured:
        notes.to_parquet(folder / "results" / "notes.parquet")
    if truth:
        (folder / "truth").mkdir()
        played = notes.assign(has_vibrato=notes["has_vibrato"].fillna(False))
        played.to_csv(folder / "truth" / "truth.csv", index=False)
    return folder


STUDIES = {
    "two players, three recordings": lambda: invented_notes(2, 2, 15).query("recording_id != 'take011'"),
    "no vibrato": lambda: invented_notes(3, 2, 20, vibrato=False),
    "one decade, one region, one player": lambda: invented_notes(1, 2, 20, decades=(1950,)),
    "one note": lambda: invented_notes(1, 1, 1),
    "three players in one decade": lambda: invented_notes(3, 2, 20, decades=(1950,)),
}


class Page:
    """What a notebook showed."""

    def __init__(self) -> None:
        self.shown: list = []
        self.blocks: list[str] = []
        self.names: dict = {}

    def __call__(self, *things, **options) -> None:
        self.shown += things
        self.blocks += [self.names["study"]._about] * len(things)

    @property
    def texts(self) -> list[str]:
        """What is read of each thing shown, as markup."""
        data = [getattr(thing, "data", None) for thing in self.shown]
        return [
            here if isinstance(here, str) else getattr(thing, "caption", "")
            for thing, here in zip(self.shown, data, strict=True)
        ]

    @property
    def text(self) -> str:
        return "\n".join(self.texts)


def run_cells(notebook: Path, study: Path, monkeypatch) -> Page:
    """Run a notebook's code in this process."""
    import jupytext

    page = Page()
    monkeypatch.setattr("vibstudy.figures.saving._PRINT_DPI", 60)  # quicker; the files are tested elsewhere
    monkeypatch.setenv("VIBSTUDY_STUDY", str(study))
    monkeypatch.setattr("IPython.display.display", page)
    names = page.names
    for cell in jupytext.read(notebook).cells:
        if cell.cell_type == "code":
            exec(compile(cell.source, notebook.name, "exec"), names)
    return page


def with_score(notes: pd.DataFrame) -> pd.DataFrame:
    """The notes as they lie on an invented score of four beats a bar."""
    place = notes.groupby("recording_id").cumcount().to_numpy()
    return notes.assign(
        score_match="matched",
        written_midi=notes["midi"],
        notated_beats=np.array([0.5, 1.0, 1.0, 2.0, 1.0])[place % 5],
        measure=1 + place // 4,
        beat=1.0 + place % 4,
        beat_strength=np.array([1.0, 0.25, 0.5, 0.25])[place % 4],
        slur_position=np.array(["first", "inside", "last", "none"])[place // 2 % 4],
        dynamic=np.array(["p", "mf", "f"])[place // 5 % 3],
        local_tempo_bpm=72.0,
        alignment_quality=1.0,
    )


@pytest.fixture(scope="module")
def whole_study(tmp_path_factory) -> Path:
    """A study of ten players with its truth and a score."""
    notes = with_score(invented_notes(10, 3, 14))
    return make_study(tmp_path_factory.mktemp("whole") / "study", notes, truth=True)


@pytest.fixture(scope="module")
def whole_pages(whole_study) -> dict[str, Page]:
    """What each notebook shows of the whole study, by the notebook's number."""
    with pytest.MonkeyPatch.context() as patch:
        return {notebook.stem[:2]: run_cells(notebook, whole_study, patch) for notebook in NOTEBOOKS}


@pytest.fixture
def sparing(monkeypatch):
    """Half the work for studies with little to show: one picture a figure, few invented studies for power.

    The whole study gets all of it.
    """
    power = simulate_power
    few = lambda *words, **options: power(*words, **{**options, "draws": 6})  # noqa: E731
    monkeypatch.setattr("vibstudy.stats.simulate_power", few)
    save = HouseFigure.savefig

    def png_only(self, fname, **options):
        if fname.suffix == ".png":
            save(self, fname, **options)
        else:
            fname.touch()

    monkeypatch.setattr(HouseFigure, "savefig", png_only)


@pytest.mark.parametrize("kind", list(STUDIES))
def test_small_studies_run_through(kind, tmp_path, monkeypatch, sparing):
    study = make_study(tmp_path / "study", STUDIES[kind]())
    for notebook in NOTEBOOKS:
        page = run_cells(notebook, study, monkeypatch)
        assert not re.search(r"\bnan\b|(?<!=)\bNone\b|<NA>", page.text), (notebook.name, page.text)
        assert "All decisions apply" not in page.text  # nobody has listened
    assert (study / "figures" / "01_coverage.png").stat().st_size > 0


def test_only_the_required_columns(tmp_path, monkeypatch, sparing):
    study = make_study(tmp_path / "study", invented_notes(3, 2, 12), ["player", "decade", "region"])
    pages = [run_cells(notebook, study, monkeypatch) for notebook in NOTEBOOKS]
    assert "tempo_bpm in the manifest" in pages[3].text


def test_a_study_not_measured_yet_says_what_to_type(tmp_path, monkeypatch):
    study = make_study(tmp_path / "study", invented_notes(2, 1, 5), measured=False)
    for notebook in NOTEBOOKS:
        page = run_cells(notebook, study, monkeypatch)
        assert "vibstudy measure" in page.text, notebook.name


def test_whole_study_shows_everything(whole_study, whole_pages):
    """Nothing is missing when nothing need be, and each notebook leaves its figures."""
    for number, page in whole_pages.items():
        missing = re.findall(r"Not shown for this study: ([^<]*)", page.text)
        assert missing == [], (number, page.text)
        assert "invented" in page.text
    figures = {path.stem for path in (whole_study / "figures").glob("*.csv")}
    assert figures == {
        "01_coverage",
        "02_note",
        "02_recording",
        "02_straightened",
        "03_check",
        "03_effects",
        "03_extent_by_period_and_region",
        "03_extent_over_decades",
        "03_intensity_and_pitch",
        "03_portraits",
        "03_power",
        "03_rate_and_extent",
        "03_rate_over_decades",
        "03_without_each_player",
        "04_along_the_score",
        "04_pulses_and_beat",
        "04_usage_by_player",
        "04_vibrato_by_length",
        "04_what_was_written",
        "04_which_notes",
        "05_measured_against_truth",
        "06_false_alarms",
        "06_players_apart",
    }
    for stem in figures:
        for kind in ("pdf", "png", "txt"):
            assert (whole_study / "figures" / f"{stem}.{kind}").stat().st_size > 0


def test_every_number_of_the_notebooks_is_in_the_one_frame(whole_study, whole_pages):
    """In the frame's own rows or in those of the block that shows it; single notes in notes.csv."""
    frame = pd.read_csv(whole_study / "results" / "quantities.csv")
    notes = pd.read_parquet(whole_study / "results" / "notes.parquet")
    whole = frame[frame["kind"] != "notebook"]
    counts = whole[whole["unit"].isin(["notes", "players", "recordings"])]
    looked = others = noticed = 0
    lost = []
    for number, page in whole_pages.items():
        for block, markup in zip(page.blocks, page.texts, strict=True):
            own = frame[(frame["kind"] == "notebook") & frame["name"].str.startswith(block)]
            shown = notes[notes["recording_id"].map(lambda name, text=page.text: name in text)]
            single = {
                f"{abs(value):.{decimals}f}"
                for value in shown.select_dtypes("number").to_numpy(float, na_value=np.nan).ravel()
                for decimals in (0, 1, 2)
            }
            text = text_of(markup) if "<" in markup else markup
            known = single if number == "02" else set()
            for printed, unit in numbers_of(text):
                if (printed, unit) in AGREED or printed in known:
                    continue
                # without a unit only what this block says, and plain counts, can be meant
                here = pd.concat([own, whole if unit else counts if printed.isdigit() else counts.iloc[:0]])
                if not found(here, printed, unit):
                    lost.append((number, block, printed, unit, text[:200]))
                looked += 1
                if "." in printed:
                    others += 1
                    noticed += not found(
                        here, f"{float(printed) * 1.03:.{len(printed.partition('.')[2])}f}", unit
                    )
    assert lost == []
    assert looked > 700
    assert noticed > 0.6 * others > 100  # another number would be found out, more often than not


def test_notebooks_give_the_n_of_the_frame(whole_study):
    """No two places give another n, another share or another effect for the same thing."""
    frame = pd.read_csv(whole_study / "results" / "quantities.csv")
    said = frame[frame["kind"] == "notebook"].set_index(["name", "quantity"])["value"]
    base = frame[frame["kind"] != "notebook"].set_index(["kind", "name", "quantity"])["value"]
    pairs = {}
    counted = {"recordings": "recordings", "notes": "notes", "long_enough": "notes_judged",
               "with_vibrato": "notes_judged_with_vibrato", "usable": "notes_vibrato"}  # fmt: skip
    for name, quantity in said.index:
        block, _, of = name.partition(": ")
        if block == "how much could be measured":
            pairs[name, quantity] = ("medium", of, counted[quantity])
        elif block == "the usage index" and quantity in ("recordings", "notes"):
            wanted = {"recordings": "recordings", "notes": "notes_judged"}[quantity]
            pairs[name, quantity] = ("player", of.split(", ")[0], wanted)
        elif block == "players to follow" and quantity == "vibrato_notes":
            pairs[name, quantity] = ("player", of, "notes_vibrato")
        elif block == "the tool's own doubts" and quantity == "notes" and not of.startswith("ok,"):
            pairs[name, quantity] = ("remark", of.split(", ")[0], "notes")
    assert len(pairs) > 40
    for place, key in pairs.items():
        assert said[place] == base[key], (place, key)
    effects = standard_effects(open_study(whole_study).notes())
    rate = effects[
        (effects["model"] == "rate") & (effects["variant"] == "") & (effects["words"] == PER_DECADE)
    ]
    whole = said[("the change of rate in words", "From one decade to the next")]
    assert whole == pytest.approx(rate["estimate"].item(), rel=1e-6)
    for player, share in said.xs("share", level="quantity").items():
        if player.startswith("the usage index"):
            name = player.partition(": ")[2].split(", ")[0]
            assert 100 * share == pytest.approx(base["player", name, "share_with_vibrato"])


def test_the_careless_test_is_shown_to_be_wrong(whole_study, whole_pages):
    """Groups made by lot: the test over notes raises many false alarms, the mixed model about 5 %."""
    table = pd.read_csv(whole_study / "figures" / "06_false_alarms.csv").set_index("test")[
        "share_below_5_percent"
    ]
    assert table["t-test, notes"] > 0.3
    assert table["mixed model"] < 0.15


def test_players_are_heard_at_a_safe_level(whole_pages):
    from IPython.display import Audio

    sounds = [thing for thing in whole_pages["02"].shown if isinstance(thing, Audio)]
    assert len(sounds) == 2
    samples, _ = soundfile.read(BytesIO(sounds[0].data))
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(10 ** (-23 / 20), rel=0.02)


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_are_read_as_jupytext_reads_them(notebook):
    import jupytext
    import nbformat

    ours = nbformat.reads(json.dumps(read_notebook(notebook)), as_version=4)  # checks the form, too
    reference = jupytext.read(notebook).cells
    assert [(c.cell_type, c.source) for c in ours.cells] == [(c.cell_type, c.source) for c in reference]
    assert len({c.id for c in ours.cells}) == len(ours.cells)
    assert all(c.metadata["jupyter"]["source_hidden"] for c in ours.cells if c.cell_type == "code")


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_are_text_without_results(notebook):
    source = notebook.read_text(encoding="utf-8")
    assert "format_name: percent" in source
    import jupytext

    cells = jupytext.read(notebook).cells
    assert cells[0].cell_type == "markdown" and cells[0].source.startswith(f"# {int(notebook.stem[:2])}.")
    # A musician is not met with a wall of code: long cells are folded away until asked for.
    shown = [
        c for c in cells if c.cell_type == "code" and not c.metadata.get("jupyter", {}).get("source_hidden")
    ]
    assert max(len(c.source.splitlines()) for c in shown) <= 16
    links = re.findall(r"\]\((\d\d_[a-z_0-9]+)\.ipynb\)", source)
    assert all((notebook.parent / f"{link}.py").exists() for link in links)


# --- opening a study


def test_the_folder_is_found(whole_study, monkeypatch, tmp_path):
    monkeypatch.delenv("VIBSTUDY_STUDY", raising=False)
    (whole_study / "notebooks").mkdir(exist_ok=True)
    monkeypatch.chdir(whole_study / "notebooks")
    assert open_study().folder == whole_study.resolve()
    monkeypatch.chdir(tmp_path)
    assert open_study(whole_study).folder == whole_study.resolve()
    monkeypatch.setenv("VIBSTUDY_STUDY", str(whole_study))
    assert open_study().folder == whole_study.resolve()


def test_no_study_says_how_to_make_one(monkeypatch, tmp_path):
    monkeypatch.delenv("VIBSTUDY_STUDY", raising=False)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(VibstudyError, match="vibstudy new my-study"):
        open_study()


def test_excluded_recordings_and_measured_columns(tmp_path):
    study = make_study(tmp_path / "study", invented_notes(2, 2, 8))
    manifest = pd.read_csv(study / "corpus_manifest.csv")
    manifest["exclude"] = [True, False, False, False]
    manifest.to_csv(study / "corpus_manifest.csv", index=False)
    opened = open_study(study)
    assert len(opened.manifest()) == 3
    pd.DataFrame({"recording_id": manifest["recording_id"], "notes": 8}).to_csv(
        study / "results" / "recordings.csv", index=False
    )
    assert opened.recordings()["notes"].tolist() == [8, 8, 8]


def test_sound_is_on_the_clock_of_the_notes(tmp_path):
    study = make_study(tmp_path / "study", invented_notes(1, 1, 8))
    manifest = pd.read_csv(study / "corpus_manifest.csv").assign(start_s=1.0)
    manifest.to_csv(study / "corpus_manifest.csv", index=False)
    sound = open_study(study).audio("take000")
    assert sound.origin_s == pytest.approx(1.0)
    with pytest.raises(VibstudyError, match="no such recording"):
        open_study(study).audio("take999")


def test_a_table_across_decades_is_kept_by_the_names_of_its_columns(tmp_path):
    study = open_study(make_study(tmp_path / "study", invented_notes(2, 2, 8)))
    across = pd.crosstab(pd.Series(["a", "a", "b"], name="player"), pd.Series([1930, 1950, 1950]))
    study.keep(across, index=True)
    kept = {(row["name"].split(": ")[-1], row["quantity"]): row["value"] for row in study._kept}
    assert kept == {("a", "1930"): 1, ("a", "1950"): 1, ("b", "1930"): 0, ("b", "1950"): 1}


# --- through a kernel


@pytest.mark.slow
@pytest.mark.parametrize("number", ["02", "07", "08"])
def test_what_only_a_kernel_shows_is_shown_by_one(number, tmp_path):
    """Sounds and widgets. The others run above; the demonstration of which the site is made runs them all."""
    from vibstudy.demo.notebooks import run_notebook

    (notebook,) = (path for path in NOTEBOOKS if path.stem.startswith(number))
    study = make_study(tmp_path / "study", STUDIES["two players, three recordings"]())
    run = run_notebook(notebook, study, timeout_s=120)
    assert run.failure == ""
    page = (study / "pages" / f"{notebook.stem}.html").read_text(encoding="utf-8")
    assert "Traceback" not in page
    assert "http://" not in re.sub(r"http://www\.w3\.org", "", page) or "<script src" not in page
