"""The figures draw exactly the numbers they return, and keep the house style.

Outside checks, each with its source beside it: the half-mass circle of a bivariate normal, the CAM02-UCS
colour space and colour-blindness simulation of the library colorspacious, the PDF font types of ISO
32000-1, the level of EBU R 128.
"""

from __future__ import annotations

import itertools

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from tests.invented_study import invented_notes
from tests.letters import smallest_letter_pt
from vibstudy import figures as draw
from vibstudy.errors import VibstudyError
from vibstudy.figures import data, style
from vibstudy.figures.own import FIGURES, put_on, read_own
from vibstudy.figures.plane import _density_contour
from vibstudy.figures.recording import fitted_vibrato, note_name
from vibstudy.figures.saving import save_figure
from vibstudy.sound.writing import SAFE_LEVEL_DB, safe_level
from vibstudy.stats import fit_mixed, leave_out, simulate_power
from vibstudy.stats.claims import Claim, Contrast
from vibstudy.stats.effects import add_decades, middle_decade, standard_effects
from vibstudy.stats.multiverse import all_ways
from vibstudy.stats.power import Power
from vibstudy.stats.usage import length_curve, tempo_test, usage_index
from vibstudy.study import (
    effects_in_words,
    estimate_words,
    formula,
    model_line,
    odds_words,
    p_words,
    ratio_words,
    table_html,
)

RATE_HZ = 8000


@pytest.fixture(scope="module")
def notes() -> pd.DataFrame:
    table = invented_notes()
    return data.add_period(table, data.default_cuts(table["decade"]))


@pytest.fixture(scope="module")
def recordings(notes) -> pd.DataFrame:
    return notes.drop_duplicates("recording_id").reset_index(drop=True)


@pytest.fixture(scope="module")
def model(notes):
    good = data.vibrato_notes(notes).assign(decades=lambda t: (t["decade"].astype(float) - 1960) / 10)
    return fit_mixed(good, "log(extent_cents) ~ decades + region")


@pytest.fixture(scope="module")
def band(model) -> pd.DataFrame:
    decades = np.arange(1930, 2010, 10)
    return model_line(model, "decades", (decades - 1960) / 10).assign(decade=decades)


@pytest.fixture(scope="module")
def means(notes) -> pd.DataFrame:
    table = fit_mixed(data.vibrato_notes(notes), "log(extent_cents) ~ period + region").means(
        "region", ["period"]
    )
    table = table.drop(columns=["low", "high"])
    return table.rename(columns={"typical": "estimate", "typical_low": "low", "typical_high": "high"})


@pytest.fixture(scope="module")
def claims() -> pd.DataFrame:
    rows = [
        ("Extent grew.", "cents", 1.5, 0.4, 2.6, "supported"),
        ("Rate rose.", "Hz", -0.05, -0.09, -0.01, "against"),
        (
            "Players of the north play wider than players of the south in every decade.",
            "cents",
            0.2,
            -3,
            3.4,
            "undecided",
        ),
        ("Flutes are slower.", "Hz", np.nan, np.nan, np.nan, "not testable here"),
    ]
    return pd.DataFrame(rows, columns=["sentence", "unit", "estimate", "low", "high", "verdict"])


@pytest.fixture(scope="module")
def tone() -> tuple[np.ndarray, pd.DataFrame, pd.DataFrame]:
    """Two seconds of a harmonic tone, 5 Hz and ± 30 cents at 440 Hz, its line and its one note."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    cents = 30 * np.sin(2 * np.pi * 5 * t)
    phase = 2 * np.pi * np.cumsum(440 * 2 ** (cents / 1200)) / RATE_HZ
    samples = 0.2 * np.sin(phase) + 0.1 * np.sin(2 * phase)
    times = np.arange(0.2, 1.8, 0.005)
    line = pd.DataFrame({"time_s": times, "f0_hz": 440 * 2 ** (30 * np.sin(2 * np.pi * 5 * times) / 1200)})
    note = invented_notes(1, 1, 1).assign(
        onset_s=0.2, offset_s=1.8, duration_s=1.6, pitch_hz=440.0, midi=69, has_vibrato=True, rate_hz=5.0,
        extent_cents=30.0, vibrato_onset_s=0.0,
    )  # fmt: skip
    return samples, line, note


@pytest.fixture(scope="module")
def pairs(notes) -> pd.DataFrame:
    good = data.vibrato_notes(notes)
    rng = np.random.default_rng(4)
    return good.assign(
        true_rate_hz=good["rate_hz"] + rng.normal(0, 0.05, len(good)),
        true_extent_cents=good["extent_cents"] + rng.normal(0.5, 1, len(good)),
    )


LINEAGES = pd.DataFrame({
    "pupil": ["Player Birch", "Player Cedar", "Player Dogwood"],
    "teacher": ["Player Aster"] * 2 + ["Player Elder"],
    "distance": [0.9, 0.4, 1.1], "expected": [1.2, 1.3, 1.0],
})  # fmt: skip


@pytest.fixture(scope="module")
def effects(notes) -> pd.DataFrame:
    return standard_effects(notes)


@pytest.fixture(scope="module")
def gallery(notes, recordings, model, band, means, claims, effects, tone, pairs):
    steady = Claim("slower", "Vibrato became slower.", "rate_hz", Contrast("decade", 1930, 2000), "lower")
    samples, line, note = tone
    lots = pd.DataFrame({"by notes": np.linspace(0, 0.2, 50), "by players": np.linspace(0, 1, 50)})
    return {
        "coverage_map": lambda size: draw.coverage_map(recordings, size=size),
        "rate_extent_plane": lambda size: draw.rate_extent_plane(notes, size=size),
        "change_over_decades": lambda size: draw.change_over_decades(notes, "extent_cents", band, size=size),
        "marginal_means": lambda size: draw.marginal_means(means, "extent_cents", notes, size=size),
        "player_portraits": lambda size: draw.player_portraits(notes, size=size),
        "intensity_against_pitch": lambda size: draw.intensity_against_pitch(notes, size=size),
        "players_apart": lambda size: draw.players_apart(notes, "extent_cents", "region", size=size),
        "false_alarms": lambda size: draw.false_alarms(lots, size=size),
        "model_check": lambda size: draw.model_check(model, size=size),
        "without_each_player": lambda size: draw.without_each_player(
            leave_out(model, label="decades"), "Change a decade", size=size
        ),
        "claims_forest": lambda size: draw.claims_forest(claims, size=size),
        "effects_forest": lambda size: draw.effects_forest(effects, size=size),
        "ways_figure": lambda size: draw.ways_figure(all_ways(steady, notes), size=size),
        "power_curves": lambda size: draw.power_curves(
            simulate_power(model, "decades", 20, players=(0, 2), recordings=(0, 4), draws=10), size=size
        ),
        "recording_close_up": lambda size: draw.recording_close_up(samples, RATE_HZ, line, note, size=size),
        "note_close_up": lambda size: draw.note_close_up(line, note.iloc[0], size=size),
        "phrase_strip": lambda size: draw.phrase_strip(line, note, size=size),
        "measured_against_truth": lambda size: draw.measured_against_truth(pairs, "accompaniment", size=size),
        "vibrato_by_length": lambda size: draw.vibrato_by_length(notes, usage_index(notes), size=size),
        "usage_by_player": lambda size: draw.usage_by_player(usage_index(notes), size=size),
        "pulses_and_beat": lambda size: draw.pulses_and_beat(tempo_test(notes), size=size),
        "lineages": lambda size: draw.lineages(LINEAGES, size=size),
    }


@pytest.fixture(scope="module")
def drawn(gallery):
    """Figure and table by name and size, drawn once; for tests that only look."""
    kept: dict = {}

    def get(name: str, size: str = "column"):
        if (name, size) not in kept:
            kept[name, size] = gallery[name](size)
        return kept[name, size]

    return get


WITH_EXTENT = {
    "rate_extent_plane",
    "change_over_decades",
    "marginal_means",
    "player_portraits",
    "intensity_against_pitch",
    "players_apart",
    "recording_close_up",
    "note_close_up",
    "phrase_strip",
    "measured_against_truth",
}
NAMES = sorted(
    WITH_EXTENT
    | {"coverage_map", "false_alarms", "model_check", "claims_forest", "effects_forest", "ways_figure"}
    | {
        "vibrato_by_length",
        "usage_by_player",
        "pulses_and_beat",
        "without_each_player",
        "power_curves",
        "lineages",
    }
)


def sticking_out(figure: Figure) -> list[str]:
    """Labels, titles and legends that reach over the edge of the page."""
    figure.draw_without_rendering()
    width, height = figure.get_size_inches() * figure.dpi
    labels = [text for text in (figure._supxlabel, figure._supylabel) if text is not None]
    for ax in filter(Axes.get_visible, figure.axes):
        labels += [ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title]
    boxes = [(label.get_text(), label.get_window_extent()) for label in labels if label.get_text()]
    boxes += [("legend", legend.get_window_extent()) for legend in figure.legends]
    return [text for text, box in boxes if min(box.x0, box.y0, width - box.x1, height - box.y1) < -1]


def texts(figure: Figure) -> str:
    from matplotlib.text import Text

    return " ".join(text.get_text() for text in figure.findobj(Text) if text.get_visible())


def points(ax) -> np.ndarray:
    """All marker positions of an axes, [shape=(n, 2)]."""
    drawn = [
        line.get_xydata() for line in ax.lines if line.get_linestyle() == "None" and len(line.get_xdata())
    ]
    return np.vstack(drawn)


def same_rows(drawn: np.ndarray, table: pd.DataFrame, columns: list[str]) -> None:
    wanted = table[columns].to_numpy(float)
    assert len(drawn) == len(wanted)
    np.testing.assert_allclose(
        drawn[np.lexsort(drawn.T)], wanted[np.lexsort(wanted.T)], rtol=1e-9, err_msg=str(columns)
    )


# --- the house style


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("size", "smallest"), [("column", 7.0), ("slide", 14.0)])
def test_every_figure_keeps_the_house_style(drawn, name, size, smallest):
    before = dict(matplotlib.rcParams)
    figure, table = drawn(name, size)
    assert dict(matplotlib.rcParams) == before
    assert smallest_letter_pt(figure) >= smallest
    assert figure.get_size_inches()[0] == pytest.approx(style.PAGES[size].width_in)
    assert "n = " in figure.caption
    assert len(table)
    if name in WITH_EXTENT:
        assert "half of peak-to-peak" in texts(figure) + figure.caption


@pytest.mark.parametrize("name", NAMES)
def test_nothing_sticks_out_of_the_page(drawn, name):
    figure, _ = drawn(name)
    assert sticking_out(figure) == []


@pytest.mark.parametrize(
    ("name", "x", "y"),
    [
        ("rate_extent_plane", "Rate (Hz)", "Extent (± cents), half of peak-to-peak"),
        ("change_over_decades", "Decade", "Extent (± cents), half of peak-to-peak"),
        (
            "intensity_against_pitch",
            "Extent (± cents), half of peak-to-peak",
            "Intensity depth (± dB),\nhalf of peak-to-peak",
        ),
        ("vibrato_by_length", "Duration (s)", "Notes with vibrato (%)"),
    ],
)
def test_axes_say_what_and_in_which_unit(drawn, name, x, y):
    said = texts(drawn(name)[0]).replace("\n", " ")
    assert x in said and y.replace("\n", " ") in said


def test_colours_survive_grey_print_and_colour_blindness():
    """Four colours differ in lightness; all six differ for the three kinds of colour blindness.

    Source: colorspacious (Luo, Cui & Li 2006; Machado, Oliveira & Fernandes 2009). In CAM02-UCS one unit
    is about a just noticeable difference.
    """
    from colorspacious import cspace_convert, deltaE

    rgb = np.array([to_rgb(colour) for colour in style.COLOURS])
    lightness = cspace_convert(rgb, "sRGB1", "CAM02-UCS")[:4, 0]
    assert min(abs(a - b) for a, b in itertools.combinations(lightness, 2)) >= 20
    for kind in ("protanomaly", "deuteranomaly", "tritanomaly"):
        seen = np.clip(
            cspace_convert(rgb, {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}, "sRGB1"), 0, 1
        )
        assert min(deltaE(a, b) for a, b in itertools.combinations(seen, 2)) >= 12, kind


def test_groups_differ_in_more_than_colour():
    coded = style.looks(list("abcd"))
    for part in ("colour", "marker", "line"):
        assert len({str(getattr(look, part)) for look in coded.values()}) == 4


def test_unknown_size_is_refused():
    with pytest.raises(ValueError, match="column, slide"), style.house_style("poster"):
        pass


# --- saving


def test_saving_writes_picture_numbers_and_caption(drawn, tmp_path):
    from PIL import Image

    figure, table = drawn("rate_extent_plane")
    saved = save_figure(figure, table, tmp_path / "figures", "plane")
    assert sorted(p.name for p in (tmp_path / "figures").iterdir()) == [
        "plane.csv", "plane.pdf", "plane.png", "plane.txt"
    ]  # fmt: skip
    back = pd.read_csv(saved.files["csv"])
    np.testing.assert_allclose(back["extent_cents"], table["extent_cents"])
    assert saved.files["txt"].read_text(encoding="utf-8").strip() == figure.caption
    with Image.open(saved.files["png"]) as picture:
        assert picture.width == round(3.4 * 600)
    # ISO 32000-1, 9.6-9.7: TrueType fonts are embedded as FontFile2 in a CIDFontType2; no Type 3.
    pdf = saved.files["pdf"].read_bytes()
    assert b"/FontFile2" in pdf and b"/CIDFontType2" in pdf and b"/Type3" not in pdf
    assert "rule of thumb" in saved._repr_html_()


def test_large_figures_stay_within_the_pixel_limit(gallery, tmp_path):
    from PIL import Image

    figure, table = gallery["claims_forest"]("slide")
    saved = save_figure(figure, table, tmp_path, "claims")
    with Image.open(saved.files["png"]) as picture:
        assert max(picture.size) <= 6000


def test_the_same_figure_is_the_same_file(gallery, tmp_path):
    for folder in ("a", "b"):
        figure, table = gallery["usage_by_player"]("column")
        save_figure(figure, table, tmp_path / folder, "use", formats=("pdf", "png", "svg"))
    for kind in ("pdf", "png", "svg", "csv", "txt"):
        assert (tmp_path / f"a/use.{kind}").read_bytes() == (tmp_path / f"b/use.{kind}").read_bytes(), kind


def test_a_failed_save_leaves_the_old_files(gallery, tmp_path, monkeypatch):
    figure, table = gallery["usage_by_player"]("column")
    save_figure(figure, table, tmp_path, "use")
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    broken, _ = gallery["usage_by_player"]("column")

    def savefig(path, **options):
        raise OSError("disk full")

    monkeypatch.setattr(broken, "savefig", savefig)
    with pytest.raises(OSError, match="disk full"):
        save_figure(broken, table, tmp_path, "use")
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_a_name_cannot_run_as_a_formula_in_a_spreadsheet(gallery, tmp_path):
    figure, _ = gallery["usage_by_player"]("column")
    saved = save_figure(figure, pd.DataFrame({"player": ["=1+1"]}), tmp_path, "use")
    assert "'=1+1" in saved.files["csv"].read_text(encoding="utf-8")


def test_captions_are_escaped_in_the_notebook(gallery, tmp_path):
    figure, table = gallery["usage_by_player"]("column")
    saved = save_figure(figure, table, tmp_path, "use", caption="<script>alert('x')</script>")
    assert "<script>" not in saved._repr_html_()


# --- what is drawn is what is returned


def test_coverage_counts(recordings):
    figure, table = draw.coverage_map(recordings)
    assert table["recordings"].sum() == len(recordings)
    assert set(table["decade"]) == set(range(1930, 2010, 10))
    cell = table[table["recordings"] > 0].iloc[0]
    own = recordings[(recordings["decade"] == cell["decade"]) & (recordings["region"] == cell["region"])]
    assert (cell["players"], cell["recordings"]) == (own["player"].nunique(), len(own))
    words = texts(figure)
    for row in table.itertuples():
        if row.recordings:
            assert f"{row.players} pl · {row.recordings} rec" in words
    assert words.count("none") == int((table["recordings"] == 0).sum())
    media = ["electrical_disc", "tape_lp", "digital"]
    assert (table[media].sum(axis=1) == table["recordings"]).all()
    assert f"holds {len(recordings)} recordings by 16 players" in draw.coverage_words(recordings)


def test_plane_draws_the_players_and_the_fusion_limit(notes, drawn):
    figure, table = drawn("rate_extent_plane")
    ax = figure.axes[0]
    periods = list(dict.fromkeys(table["period_shown"]))
    for panel, period in zip(figure.axes, periods, strict=True):
        same_rows(points(panel), table[table["period_shown"] == period], ["rate_hz", "extent_cents"])
        assert panel.get_title(loc="left").startswith(period)
    assert "heard as moving pitch" in texts(figure) and "heard as richer tone" in texts(figure)
    dotted = next(line for line in ax.lines if len(line.get_xdata()) == 160)
    x, y = dotted.get_data()
    # Common practice, no source: 20 cents at 5 Hz, 100 cents at 8 Hz, a straight line in the logarithm
    # between; nothing is drawn outside.
    np.testing.assert_allclose(np.log(y / 20), np.log(5) * (x - 5) / 3, atol=1e-9)
    assert x.min() >= 5 and x.max() <= 8
    assert "rule of thumb" in texts(figure) and "rule of thumb" in figure.caption
    # Mean of the recordings' means, by hand.
    birch = table[table["player"] == "Player Birch"].iloc[0]
    own = data.vibrato_notes(notes).query("player == 'Player Birch' and period == @birch.period_shown")
    by_hand = [(part["rate_hz"].mean(), np.log(part["extent_cents"]).mean())
               for _, part in own.groupby("recording_id")]  # fmt: skip
    assert birch["rate_hz"] == pytest.approx(np.mean([rate for rate, _ in by_hand]))
    assert birch["extent_cents"] == pytest.approx(np.exp(np.mean([extent for _, extent in by_hand])))


def test_half_of_a_normal_cloud_lies_inside_its_contour():
    """Half of a standard bivariate normal lies within sqrt(2 ln 2) of its middle (Rayleigh distribution)."""
    rng = np.random.default_rng(2)
    cloud = rng.normal(size=(6000, 2))
    table = pd.DataFrame({"rate_hz": 6 + cloud[:, 0], "extent_cents": np.exp(3 + cloud[:, 1]), "player": "A"})
    ax = Figure().add_subplot()
    ax.set_yscale("log")
    _density_contour(ax, table, "k", "-")
    (outline,) = [path for drawn in ax.collections for path in drawn.get_paths() if len(path.vertices)]
    vertices = outline.vertices
    radius = np.hypot(vertices[:, 0] - 6, np.log(vertices[:, 1]) - 3)
    smoothing = np.sqrt(1 + 6000 ** (-1 / 3))  # Scott's rule widens the cloud by this much
    assert radius.mean() == pytest.approx(np.sqrt(2 * np.log(2)) * smoothing, rel=0.03)


def test_every_player_counts_the_same_in_the_density():
    weights = data.player_weights(pd.DataFrame({"player": ["a"] * 9 + ["b"]}))
    assert weights[:9].sum() == pytest.approx(0.5) and weights[9] == pytest.approx(0.5)


def test_change_draws_recordings_and_model(notes, band, drawn):
    figure, table = drawn("change_over_decades")
    strip, ax = figure.axes
    assert "electrical disc" in texts(figure) and len(strip.patches) == notes["medium"].nunique()
    same_rows(points(ax), table[table["what"] == "recording"], ["drawn_at", "value"])
    shade = next(c for c in ax.collections if isinstance(c, PolyCollection)).get_paths()[0].vertices
    assert shade[:, 1].min() == pytest.approx(band["low"].min())
    assert shade[:, 1].max() == pytest.approx(band["high"].max())
    line = next(
        line for line in ax.lines if line.get_linestyle() == "-" and len(line.get_xdata()) == len(band)
    )
    np.testing.assert_allclose(line.get_ydata(), band["estimate"])
    assert len(table) == notes["recording_id"].nunique() + len(band)


def test_the_line_with_the_medium_held_equal_is_drawn_broken(notes, band):
    lines = pd.concat([band.assign(variant=""), band.assign(variant="medium held equal")], ignore_index=True)
    figure, _ = draw.change_over_decades(notes, "rate_hz", lines)
    assert "medium held equal" in texts(figure) and "with the medium held equal" in figure.caption
    styles = {line.get_linestyle() for line in figure.axes[1].lines if len(line.get_xdata()) == len(band)}
    assert styles == {"-", "--"}


def test_decades_are_counted_from_the_middle_of_the_corpus(notes):
    table = pd.DataFrame({"decade": pd.array([1930, 1990, None, 2000], dtype="Int64")})
    assert middle_decade(table) == 1960  # 1965, to the even decade
    assert add_decades(table)["decades"].tolist()[:2] == [-3, 3]
    assert middle_decade(table.assign(decade=[1980, 2000, 2000, 2020])) == 2000
    effects = standard_effects(notes)
    shown = effects[effects["variant"] == ""].set_index(["model", "words"])
    good = data.vibrato_notes(add_decades(notes))
    by_hand = fit_mixed(good, "log(extent_cents) ~ decades + region").table()
    slope = shown.loc[("extent", "from one decade to the next")]
    assert slope["estimate"] == pytest.approx(100 * np.expm1(by_hand.loc["decades", "estimate"]))
    assert slope["unit"] == "%"
    level = shown.loc[("extent", "level in 1960, Aubrisk")]
    assert level["estimate"] == pytest.approx(np.exp(by_hand.loc["Intercept", "estimate"]))
    assert set(effects["model"]) == {"rate", "extent", "presence"}


def test_a_curve_of_length_holds_on_to_the_notes():
    """Many notes of known odds: the curve is the logistic one they were drawn from; few alike notes: a
    wide band."""
    rng = np.random.default_rng(5)
    length = np.exp(rng.normal(-0.5, 0.6, 3000))
    chance = 1 / (1 + np.exp(-(0.4 + 1.5 * np.log2(length))))
    own = pd.DataFrame({"duration_s": length, "has_vibrato": rng.random(3000) < chance, "recording_id": "a"})
    at = np.array([0.4, 1.0, 2.0])
    curve = length_curve(own, 0.0, at)
    np.testing.assert_allclose(curve["share"], 1 / (1 + np.exp(-(0.4 + 1.5 * np.log2(at)))), atol=0.04)
    assert (curve["high"] - curve["low"] < 0.12).all()
    few = length_curve(own.head(8).assign(has_vibrato=True), 0.0, at)
    assert (few["share"] > 0.8).all() and (few["high"] - few["low"]).max() > 0.12


def test_model_line_is_the_models_own_mean(notes):
    """At the middle of the decades, the line is the intercept of the model fitted around that middle."""
    good = data.vibrato_notes(notes).assign(decades=lambda t: (t["decade"].astype(float) - 1960) / 10)
    line = model_line(fit_mixed(good, "rate_hz ~ decades"), "decades", np.array([2.0])).iloc[0]
    moved = fit_mixed(good.assign(decades=good["decades"] - 2), "rate_hz ~ decades").table().loc["Intercept"]
    for name in ("estimate", "low", "high"):
        assert line[name] == pytest.approx(moved[name], abs=2e-4)


def test_marginal_means_draw_estimates_and_players(means, drawn):
    figure, table = drawn("marginal_means")
    ax = figure.axes[0]
    drawn = np.vstack([box[0].get_xydata() for box in ax.containers])
    same_rows(drawn, table[table["what"] == "model"], ["drawn_at", "estimate"])
    bars = np.vstack([segment for box in ax.containers for segment in box[2][0].get_segments()])
    assert bars[:, 1].min() == pytest.approx(means["low"].min())
    assert bars[:, 1].max() == pytest.approx(means["high"].max())
    grey = next(line for line in ax.lines if line.get_marker() == ".")
    np.testing.assert_allclose(grey.get_ydata(), table.loc[table["what"] == "player", "value"])


def test_portraits_show_each_player_once(drawn):
    figure, table = drawn("player_portraits")
    shown = [ax for ax in figure.axes if ax.get_visible() and ax.get_title(loc="left")]
    assert len(shown) == len(table) == 16
    for ax, row in zip(shown, table.itertuples(), strict=True):
        assert ax.get_title(loc="left").startswith(row.player.split()[-1])
        cross = ax.lines[-1]
        assert (cross.get_xdata()[0], cross.get_ydata()[0]) == pytest.approx((row.rate_hz, row.extent_cents))
        assert len(ax.lines[1].get_xdata()) == row.notes
    shapes = {row.region: ax.lines[1].get_marker() for ax, row in zip(shown, table.itertuples(), strict=True)}
    assert len(set(shapes.values())) == len(shapes)  # regions stay apart in grey
    # and light ones from the pale notes of all others
    assert all(ax.lines[1].get_mew() > 0 and ax.lines[1].get_mec() == style.INK for ax in shown)


def test_a_straight_player_has_a_portrait():
    notes = invented_notes(4, 2, 20)
    straight = notes["player"].eq("Player Birch")
    notes.loc[straight & notes["has_vibrato"].notna(), "has_vibrato"] = False
    notes.loc[straight, ["rate_hz", "extent_cents"]] = np.nan
    figure, table = draw.player_portraits(notes)
    row = table.set_index("player").loc["Player Birch"]
    assert row["share_with_vibrato"] == 0 and row["notes"] == 0 and row["judged"] > 0
    assert f"0 % of {row['judged']}" in texts(figure)
    figure, _ = draw.rate_extent_plane(notes)
    assert "Without vibrato, and so not in the plane: Birch (0 %)" in figure.caption


def test_many_players_are_cut_and_the_caption_says_so():
    figure, table = draw.player_portraits(invented_notes(30, 1, 20))
    assert len(table) == 24 and "6 players with fewer notes not drawn" in figure.caption


def test_players_apart_draws_the_means(notes):
    figure, table = draw.players_apart(notes, "extent_cents", "region")
    drawn = np.array([line.get_xydata()[0] for line in figure.axes[0].lines if len(line.get_xdata()) == 1])
    np.testing.assert_allclose(np.sort(drawn[:, 0]), np.sort(table["mean"]))
    by_hand = np.exp(np.log(table["mean"]).groupby(table["region"]).mean())
    np.testing.assert_allclose(table["mean_of_players"], table["region"].map(by_hand))


def test_intensity_draws_notes_and_players(notes):
    figure, table = draw.intensity_against_pitch(notes)
    ax = figure.axes[0]
    same_rows(points(ax), table, ["extent_cents", "intensity_depth_db"])


def test_the_phrase_that_shows_most_is_chosen():
    one = invented_notes(1, 1, 1).iloc[0]

    def note(recording: str, onset_s: float, vibrato: bool) -> dict:
        figures = (
            {"rate_hz": 5.0, "extent_cents": 20.0} if vibrato else {"rate_hz": np.nan, "extent_cents": np.nan}
        )
        place = {"onset_s": onset_s, "offset_s": onset_s + 1, "duration_s": 1.0, "quality": "ok"}
        names = {"recording_id": recording, "note_id": f"{recording}/{onset_s}", "has_vibrato": vibrato}
        return {**one, **names, **place, **figures}

    short = [note("a", float(k), True) for k in range(2)]  # 2 s
    same = [note("b", float(k), True) for k in range(6)]  # no straight note
    mixed = [note("c", float(k), k != 2) for k in range(4)] + [note("c", 9.0, True)]
    phrase = draw.telling_phrase(pd.DataFrame([*short, *same, *mixed]))
    assert phrase["note_id"].tolist() == ["c/0.0", "c/1.0", "c/2.0", "c/3.0"]
    assert set(draw.telling_phrase(pd.DataFrame(short))["recording_id"]) == {"a"}
    with pytest.raises(VibstudyError, match="No phrase can be shown"):
        draw.telling_phrase(pd.DataFrame([note("d", 0.0, False)]))


def test_the_strip_is_filled_where_vibrato_lasts(tone):
    _, line, note = tone
    phrase = note.assign(vibrato_onset_s=0.4, vibrato_fraction=0.5)
    figure, table = draw.phrase_strip(line, phrase)
    assert table.loc[0, ["vibrato_start_s", "vibrato_end_s"]].tolist() == pytest.approx([0.6, 1.4])
    boxes = [(p.get_x(), p.get_width()) for p in figure.axes[1].patches]
    assert boxes == [pytest.approx((0.2, 1.6)), pytest.approx((0.6, 0.8))]
    assert "1 note, 1 with vibrato" in figure.caption


def test_power_is_drawn_from_today_on():
    table = pd.DataFrame(
        [(0, "players a cell", 8, 24, 0.4, 0.3, 0.5), (4, "players a cell", 16, 48, 0.85, 0.75, 0.92)],
        columns=["added", "what", "players", "recordings", "power", "low", "high"],
    )
    figure, shown = draw.power_curves(Power("rate, B against A", 0.3, "0.3 Hz", table))
    assert shown is table
    assert "a difference of 0.3 Hz in rate, B against A" in figure.caption
    assert "Today n = 8 players, 24 recordings" in figure.caption
    line = max(figure.axes[0].lines, key=lambda one: len(one.get_xdata()) * (one.get_marker() != "None"))
    assert list(line.get_xdata()) == [8, 16]
    assert "80 %" in texts(figure) and figure.axes[0].get_xlabel() == "Players"
    assert list(line.get_ydata()) == [40, 85]


def test_false_alarms_are_counted():
    figure, table = draw.false_alarms(pd.DataFrame({"t": [0.01, 0.04, 0.06, 0.9]}))
    assert table["share_below_5_percent"].tolist() == [0.5]
    assert figure.axes[0].patches[0].get_width() == pytest.approx(50)


def test_model_check_draws_residuals_and_players(model):
    figure, table = draw.model_check(model)
    left, right = figure.axes
    same_rows(points(left), table[table["what"] == "note"], ["expected", "standardised"])
    same_rows(points(right), table[table["what"] == "player"], ["expected", "standardised"])
    assert table.loc[table["what"] == "note", "standardised"].std() == pytest.approx(1, abs=0.05)


def test_lineages_show_each_pair_with_what_others_would_give(drawn):
    figure, table = drawn("lineages")
    assert table["pupil"].tolist() == ["Player Cedar", "Player Birch", "Player Dogwood"]
    both = np.concatenate([table["distance"], table["expected"]])
    np.testing.assert_allclose(points(figure.axes[0])[:, 0], both)
    assert points(figure.axes[0])[:3, 1].tolist() == [0, 1, 3]  # a row left empty between teachers
    assert "Cedar of Aster" in texts(figure) and "3 pupils of 2 teachers" in figure.caption
    alone, _ = draw.lineages(LINEAGES.drop(columns="expected"))
    assert "others" not in texts(alone) and "Bars" not in alone.caption


def test_left_out_players_are_drawn_in_order(drawn):
    figure, table = drawn("without_each_player")
    ax = figure.axes[0]
    same_rows(points(ax), table.reset_index(), ["estimate", "index"])
    assert ax.get_yticklabels()[0].get_text() == f"without {table['left_out'].iloc[0].split()[-1]}"
    assert ax.lines[0].get_xdata()[0] == pytest.approx(table["all"].iloc[0])


def test_claims_are_drawn_one_below_the_other(claims):
    figure, table = draw.claims_forest(
        claims.assign(outcome=["extent_cents", "rate_hz", "level_db", "rate_hz"])
    )
    drawn = [x for ax in figure.axes for line in ax.lines if line.get_linestyle() == "None"
             for x in line.get_xdata()]  # fmt: skip
    assert drawn == table["estimate"].dropna().tolist()
    said = texts(figure)
    assert "narrower ← cents → wider" in said and "slower ← Hz → faster" in said
    assert "not testable here" in said and "1 of them not testable here" in figure.caption
    assert any("\n" in band.get_suptitle() for band in figure.subfigs)  # a long sentence is wrapped
    with pytest.raises(VibstudyError, match="none of them could be tested"):
        draw.claims_forest(claims.assign(estimate=np.nan))


def test_players_stand_beside_the_difference(notes, claims):
    claim = Claim(
        "wider", "Keldria is wider.", "extent_cents", Contrast("region", "Aubrisk", "Keldria"), "higher"
    )
    sides = draw.claim_sides([claim], notes)
    own = data.vibrato_notes(notes).query("player == 'Player Aster'")["extent_cents"]
    birch = sides.set_index("player").loc["Player Aster"]
    assert birch["value"] == pytest.approx(np.exp(np.log(own).mean())) and birch["label"] == "Keldria"
    one = claims.head(1).assign(claim="wider", outcome="extent_cents")
    figure, _ = draw.claims_forest(one, sides, {"wider": 2.0})
    left, right = figure.axes
    assert len(points(left)) == len(sides) and "within the margin" in texts(figure)
    assert [label.get_text() for label in left.get_yticklabels()] == [
        f"{name} ({(sides['label'] == name).sum()})" for name in ("Aubrisk", "Keldria")
    ]
    assert right.patches[0].get_x() == -2 and right.patches[0].get_width() == 4


def test_effects_are_drawn_with_those_that_cannot_be_judged(effects):
    figure, table = draw.effects_forest(effects)
    assert "Intercept" not in set(table["term"])
    odds = next(ax for ax in figure.axes if ax.get_title(loc="left") == "Odds of vibrato")
    assert odds.get_xscale() == "log" and "more often" in odds.get_xlabel()
    shown = sorted(x for x in points(odds)[:, 0] if x not in (0.0, 1.0))
    wanted = table[(table["model"] == "presence") & table["judged"]]["estimate"]
    np.testing.assert_allclose(shown, sorted(wanted))
    unable = table[~table["judged"].astype(bool)].drop_duplicates(["model", "words"])
    assert texts(figure).count("cannot be judged") == len(unable)


def test_where_no_odds_can_be_judged_the_axis_is_still_readable(effects):
    known = effects["judged"] & (effects["model"] != "presence")
    figure, table = draw.effects_forest(effects.assign(judged=known))
    odds = next(ax for ax in figure.axes if ax.get_title(loc="left") == "Odds of vibrato")
    assert sticking_out(figure) == []
    assert [label.get_text() for label in odds.get_xticklabels()] == ["0.5", "1", "2"]
    said = [text for text in odds.texts if text.get_text() == "cannot be judged"]
    assert len(said) == table.loc[table["model"] == "presence", "words"].nunique()  # not over itself


def test_what_cannot_be_judged_is_said_clear_of_the_effect_that_can(effects):
    known = effects["judged"] & ((effects["model"] != "rate") | (effects["variant"] == ""))
    figure, _ = draw.effects_forest(effects.assign(judged=known))
    figure.draw_without_rendering()
    ax = next(ax for ax in figure.axes if ax.get_title(loc="left") == "Rate")
    bars = [line.get_window_extent() for line in ax.lines if np.ptp(line.get_xdata()) > 0]
    said = [text.get_window_extent() for text in ax.texts]
    assert bars and said
    assert not any(box.y0 < bar.y0 < box.y1 for box in said for bar in bars)


def test_a_verdict_from_which_something_takes_is_drawn_open(claims):
    figure, _ = draw.claims_forest(claims.assign(but="these recordings cannot tell decade from medium"))
    assert "supported, but see the text" in texts(figure)
    marks = [line for ax in figure.axes for line in ax.lines if line.get_linestyle() == "None"]
    assert {line.get_markerfacecolor() for line in marks} == {"white"}


def test_every_way_is_drawn_in_order(drawn):
    figure, table = drawn("ways_figure")
    upper, lower = figure.axes
    marks = [line for line in upper.lines if line.get_linestyle() == "None"]
    estimates = [line for line in marks if line.get_clip_on()]
    assert sorted(np.concatenate([line.get_ydata() for line in estimates])) == table["estimate"].tolist()
    # an interval that reaches beyond the figure ends in an arrow, one an end
    low, high = upper.get_ylim()
    arrows = {line.get_marker(): len(line.get_xdata()) for line in marks if not line.get_clip_on()}
    assert arrows.get("v", 0) == int((table["low"] < low).sum())
    assert arrows.get("^", 0) == int((table["high"] > high).sum())
    squares = [line for line in lower.lines if line.get_marker() == "s"]
    left_out = int((table["without"] != "").sum())
    assert len(squares[-1].get_xdata()) == left_out > 0
    assert f"asked in {len(table)} ways" in figure.caption
    agree = int((table["verdict"] == table.loc[table["as_claimed"], "verdict"].iloc[0]).sum())
    assert f"{agree} of {len(table)} ways give that verdict" in figure.caption


def test_truth_figure_and_errors(pairs):
    figure, table = draw.measured_against_truth(pairs, "accompaniment")
    above = figure.axes[0]
    same_rows(points(above), table, ["true_rate_hz", "rate_hz"])
    np.testing.assert_allclose(
        table["error_extent_cents"], table["extent_cents"] - table["true_extent_cents"]
    )
    errors = draw.error_table(pairs).set_index("outcome")
    assert errors.loc["extent_cents", "bias"] == pytest.approx(table["error_extent_cents"].mean())
    assert errors.loc["rate_hz", "median_abs"] == pytest.approx(table["error_rate_hz"].abs().median())


def test_truth_is_paired_by_onset_and_pitch():
    truth = pd.DataFrame(
        {
            "recording_id": "r",
            "onset_s": [0.0, 1.0, 2.0],
            "offset_s": [0.9, 1.9, 2.9],
            "pitch_hz": [440.0, 440, 660],
        }
    )
    heard = pd.DataFrame(
        {
            "recording_id": "r",
            "onset_s": [0.03, 1.2, 2.0],
            "offset_s": [0.9, 1.9, 2.9],
            "pitch_hz": [441.0, 440, 330],
            "rate_hz": [5.0, 6.0, 7.0],
        }
    )
    pairs = draw.match_truth(heard, truth)
    # The second begins too late, the third is an octave off.
    assert pairs["rate_hz"].fillna(-1).tolist() == [5.0, -1, -1]


def test_close_up_shows_sound_line_and_extent(tone):
    samples, line, note = tone
    figure, table = draw.recording_close_up(samples, RATE_HZ, line, note)
    above, below = figure.axes
    np.testing.assert_allclose(above.lines[0].get_ydata(), line["f0_hz"])
    mesh = above.collections[0]
    strength = mesh.get_array().mean(axis=1)
    frequencies = mesh.get_coordinates()[:, 0, 1]
    loudest = frequencies[np.argmax(strength)]
    assert loudest == pytest.approx(440, abs=15)
    band = next(patch for patch in below.patches if isinstance(patch, Rectangle))
    assert (band.get_y(), band.get_height()) == pytest.approx((-30, 60))
    cents = below.lines[0].get_ydata()
    assert np.max(cents) == pytest.approx(30, abs=0.1) and np.min(cents) == pytest.approx(-30, abs=0.1)
    assert len(table) == 1


def test_the_line_found_is_seen_on_a_loud_harmonic_in_grey_print(tone):
    """From the harmonic's black to the line there is white on both sides, wherever the line turns."""
    figure, _ = draw.recording_close_up(*tone[:1], RATE_HZ, *tone[1:])
    above = figure.axes[0]
    figure.set_dpi(300)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    grey = np.asarray(canvas.buffer_rgba())[::-1, :, :3] @ [0.299, 0.587, 0.114] / 255
    places = above.transData.transform(np.column_stack(above.lines[0].get_data())[20:-20:3])
    reach = round(2.7 * figure.dpi / 72)
    for x, y in np.rint(places).astype(int):
        column = grey[y - reach : y + reach + 1, x]
        assert column[: reach + 1].max() > 0.9 and column[reach:].max() > 0.9


def test_close_up_counts_time_from_the_beginning_of_the_file(tone):
    samples, line, note = tone
    later = note.assign(onset_s=note["onset_s"] + 10, offset_s=note["offset_s"] + 10)
    figure, _ = draw.recording_close_up(
        samples, RATE_HZ, line.assign(time_s=line["time_s"] + 10), later, origin_s=10.0
    )
    assert figure.axes[0].get_xlim() == pytest.approx((10, 12))


def test_fitted_vibrato_lies_on_a_regular_line(tone):
    _, line, note = tone
    table = fitted_vibrato(line, note.iloc[0])
    assert np.abs(table["vibrato_cents"] - table["line_cents"]).max() < 0.2
    with pytest.raises(VibstudyError, match="no vibrato to draw"):
        fitted_vibrato(line.iloc[:3], note.iloc[0])


def test_note_names_follow_midi():
    """MIDI 1.0: 69 is A4 = 440 Hz, 60 is middle C."""
    assert [note_name(m) for m in (69, 60, 70, 61.4)] == ["A4", "C4", "B♭4", "C♯4"]


def test_hearing_words():
    note = pd.Series({"rate_hz": 5.0, "extent_cents": 19.0, "pulses_per_beat": 4.17, "tempo_bpm": 72.0})
    words = draw.hearing_words(note)
    assert "swings 38 cents" in words and "meet near ± 20 cents" in words and "richer tone" in words
    assert "At 72 beats a minute it makes 4.2 pulses" in words and "rule of thumb" in words
    slow = draw.hearing_words(pd.Series({"rate_hz": 4.4, "extent_cents": 30.0}))
    assert "rule of thumb" not in slow and "beat" not in slow


def test_note_words_tell_known_from_unknown(tone):
    note = tone[2].iloc[0]
    assert "5.00 Hz" in draw.note_words(note) and "A4" in draw.note_words(note)
    assert "straight" in draw.note_words(pd.Series({**note, "has_vibrato": False}))
    assert "too short" in draw.note_words(pd.Series({**note, "has_vibrato": pd.NA}))


@pytest.mark.parametrize(
    ("phase_rad", "vibrato_in", "words"),
    [
        (np.pi / 2, "both", "0.25 of a cycle (50 ms) ahead of the pitch: loudness leads."),
        (-np.pi / 2, "both", "0.25 of a cycle (50 ms) behind the pitch: pitch leads."),
        (0.1, "both", "greatest where the pitch is highest."),
        (3.1, "both", "greatest where the pitch is lowest."),
        (np.pi / 2, "pitch", "into the note."),
    ],
)
def test_note_words_say_which_leads(tone, phase_rad, vibrato_in, words):
    loud = {"intensity_phase_rad": phase_rad, "intensity_depth_db": 2.0, "intensity_depth_se_db": 0.2}
    note = pd.Series({**tone[2].iloc[0], **loud, "vibrato_in": vibrato_in})
    assert draw.note_words(note).endswith(words)


# --- selections


def test_rejected_and_short_notes_are_left_out():
    notes = invented_notes(2, 1, 20)
    judged = data.assessable_notes(notes)
    assert judged["has_vibrato"].dtype == bool and len(judged) == notes["has_vibrato"].notna().sum()
    rejected = data.assessable_notes(notes.assign(reviewed="rejected"))
    trills = data.assessable_notes(notes.assign(note_kind="trill"))
    assert rejected.empty and trills.empty
    masked = data.vibrato_notes(notes.assign(quality="masked;few_cycles"))
    rough = data.vibrato_notes(notes.assign(quality="few_cycles;edge_unsure"))
    assert masked.empty and len(rough) == judged["has_vibrato"].sum()


def test_length_from_which_absence_of_vibrato_shows():
    """Vibrato found from 0.3 s on, straightness told from 0.45 s on: shares begin at 0.45 s."""
    rng = np.random.default_rng(3)
    length = rng.uniform(0.1, 1.5, 3000)
    real = rng.random(3000) < 0.3
    told = np.where(real & (length > 0.3), True, np.where(~real & (length > 0.45), False, None))
    notes = pd.DataFrame({"duration_s": length, "has_vibrato": pd.array(told, dtype="boolean")})
    assert data.telling_length_s(notes) == pytest.approx(0.45, abs=0.01)
    share = data.assessable_notes(notes)["has_vibrato"].mean()
    assert share == pytest.approx(real[length >= 0.45].mean(), abs=0.01)
    assert notes["has_vibrato"].dropna().mean() > share + 0.03  # what counting all of them would give
    assert data.telling_length_s(notes.dropna()) == 0
    never = notes[notes["has_vibrato"].ne(False).fillna(True)]
    assert data.telling_length_s(never) == pytest.approx(0.45, abs=0.01)


def test_periods_are_named_after_their_decades():
    table = pd.DataFrame({"decade": [1930, 1940, 1950, 1990]})
    named = data.add_period(table, [1950])["period"]
    assert named.tolist() == ["1930–1949", "1930–1949", "1950–1999", "1950–1999"]
    assert data.default_cuts(table["decade"]) == [1950, 1990]
    assert data.add_period(table, [])["period"].nunique() == 1


EMPTY = invented_notes(2, 1, 3).iloc[:0]


@pytest.mark.parametrize(
    "function",
    [
        draw.coverage_map,
        draw.rate_extent_plane,
        draw.player_portraits,
        draw.intensity_against_pitch,
        draw.vibrato_by_length,
        usage_index,
        tempo_test,
        draw.clearest_recording,
        lambda t: draw.change_over_decades(t, "rate_hz"),
        lambda t: draw.players_apart(t, "rate_hz", "region"),
        lambda t: draw.two_largest(t, "region"),
        lambda t: draw.measured_counts(t, "medium"),
        lambda t: data.add_period(t, []),
    ],
)
def test_an_empty_study_gets_a_sentence(function):
    with pytest.raises(VibstudyError):
        function(EMPTY)


@pytest.mark.parametrize("players", [1, 2])
def test_a_tiny_study_can_be_drawn(players):
    notes = invented_notes(players, 1, 12, decades=(1950,))
    for function in (
        draw.coverage_map,
        draw.rate_extent_plane,
        draw.player_portraits,
        draw.vibrato_by_length,
    ):
        figure, _ = function(
            notes if function is not draw.coverage_map else notes.drop_duplicates("recording_id")
        )
        assert sticking_out(figure) == []


def test_sides_of_the_fusion_limit_are_named_only_where_they_are_in_view():
    notes = invented_notes(4, 2, 12, decades=(1950,))
    narrow = notes.assign(rate_hz=8.1 + 0.01 * (notes.index % 7), extent_cents=21.0 + notes.index % 9)
    figure, _ = draw.rate_extent_plane(narrow)
    assert "richer tone" in texts(figure) and "moving pitch" not in texts(figure)
    assert "fusion limit" not in texts(figure) and "lies below the fusion limit" in figure.caption
    ticks = [float(label.get_text()) for label in figure.axes[0].get_yticklabels()]
    assert len(ticks) >= 2 and all(16 < tick < 38 for tick in ticks)
    figure, _ = draw.rate_extent_plane(
        narrow.assign(rate_hz=narrow["rate_hz"] - 3.0, extent_cents=3 * narrow["extent_cents"])
    )
    assert "moving pitch" in texts(figure) and "richer tone" not in texts(figure)


@pytest.mark.parametrize("low", np.geomspace(3.0, 90.0, 40))
def test_an_axis_of_extent_has_at_least_two_numbers_and_not_many(low):
    ticks = style._plain_ticks(low, 1.5625 * low)  # the narrowest that is drawn
    assert 2 <= len(ticks) <= 7 and all(low <= tick <= 1.5625 * low for tick in ticks)


def test_players_have_one_name_everywhere():
    names = data.short_names(["Ben Aster", "Ada Aster", "Player Birch 2", "Bo Cedar", "Ben Aster"])
    assert names == {
        "Ada Aster": "A. Aster", "Ben Aster": "B. Aster", "Player Birch 2": "Birch 2", "Bo Cedar": "Cedar",
    }  # fmt: skip
    assert list(names) == ["Ada Aster", "Ben Aster", "Player Birch 2", "Bo Cedar"]


def test_dollar_signs_in_names_are_no_mathematics():
    notes = invented_notes(2, 1, 12)
    figure, _ = draw.usage_by_player(usage_index(notes.assign(player=notes["player"] + " $x_1$ \\frac")))
    figure.draw_without_rendering()


# --- the user's own


def test_own_titles_labels_sizes_and_group(notes, tmp_path):
    lines = ['group = "medium"', "[rate_and_extent]", 'title = "<b>$x$</b>"', 'x = "Speed"', 'y = "Depth"']
    (tmp_path / "figures.toml").write_text("\n".join([*lines, "width_mm = 120"]), encoding="utf-8")
    own = read_own(tmp_path, notes)
    figure, table = draw.rate_extent_plane(notes, group=own.group)
    put_on(figure, own.figures["rate_and_extent"])
    figure.draw_without_rendering()
    said = texts(figure)
    assert "<b>$x$</b>" in said and "Speed" in said and "Depth" in said
    assert figure.get_size_inches()[0] == pytest.approx(120 / 25.4)
    assert set(table["medium"]) <= {*notes["medium"].unique(), "several"}


@pytest.mark.parametrize("group", ["rate_hz", "has_vibrato", "decade", "player", "note_id", "born", "mediun"])
def test_only_words_of_the_manifest_are_compared(notes, tmp_path, group):
    (tmp_path / "figures.toml").write_text(f'group = "{group}"', encoding="utf-8")
    with pytest.raises(VibstudyError, match="parts the players by words") as error:
        read_own(tmp_path, notes.assign(born=1900))
    assert "medium" in error.value.problems[0].repair


def test_what_figures_toml_cannot_say_is_told_at_once(notes, tmp_path):
    (tmp_path / "figures.toml").write_text(
        'gruop = "school"\n[rate_and_extend]\n[claims]\ntitel = "a"\nwidth_mm = 4000\nx = 5\n',
        encoding="utf-8",
    )
    with pytest.raises(VibstudyError) as error:
        read_own(tmp_path, notes)
    told = " ".join(map(str, error.value.problems))
    for word in ("gruop", "rate_and_extend", "claims.titel", "claims.width_mm", "claims.x"):
        assert word in told
    assert "group" in told and "rate_and_extent" in told and "title" in told  # the nearest known names
    assert read_own(tmp_path / "nowhere", notes).group == "region" and len(set(FIGURES)) == len(FIGURES)


# --- words


def test_numbers_in_words():
    row = pd.Series(
        {"se": 0.05, "estimate": -0.1, "low": -0.2, "high": 0.05, "df": 11.24, "t": -1.98, "p": 0.0731}
    )
    assert estimate_words(row, "Hz") == "−0.10 Hz (95 % interval −0.20 to +0.05; t(11.2) = −1.98, p = 0.073)"
    assert ratio_words(row).startswith("−10 % (95 % interval −18 % to +5 %")
    assert odds_words(row).startswith("0.9 times (95 % interval 0.82 to 1.1")
    known = pd.Series({**row, "estimate": 0.0, "low": np.log(0.95), "high": np.log(1234)})
    assert odds_words(known).startswith("1.0 times (95 % interval 0.95 to 1,200;")
    endless = pd.Series(
        {"estimate": 21.0, "se": 900.0, "low": -1800.0, "high": 1800.0, "df": 5, "t": 0, "p": 1}
    )
    assert "cannot be told" in odds_words(endless)
    assert [p_words(p) for p in (0.0004, 0.0312, 0.5, np.nan)] == [
        "p < 0.001",
        "p = 0.031",
        "p = 0.50",
        "p not known",
    ]


def test_effects_in_words_name_both_levels(notes):
    good = data.vibrato_notes(notes)
    words = effects_in_words(fit_mixed(good, "rate_hz ~ region"), {}, "Hz")
    assert "- Keldria against Aubrisk: " in words and "- Sunamar against Aubrisk: " in words
    assert "Nothing differs" in effects_in_words(fit_mixed(good, "rate_hz ~ 1"), {}, "Hz")


def test_formula_keeps_what_varies():
    notes = pd.DataFrame({"region": ["a", "a"], "decades": [1, 2]})
    assert formula("rate_hz", notes, ["decades", "region", "medium"]) == "rate_hz ~ decades"
    assert formula("rate_hz", notes, ["region"]) == "rate_hz ~ 1"


def test_tables_escape_names_and_leave_unknown_blank():
    text = table_html(pd.DataFrame({"player": ["<b>A"], "p": [0.0001], "x": [np.nan], "n": [3]}))
    assert "&lt;b&gt;A" in text and "&lt; 0.001" in text and "nan" not in text and ">3<" in text


def test_listening_examples_are_levelled_and_faded():
    """EBU R 128 sets programmes at -23 LUFS; here RMS stands in for loudness."""
    loud = np.sign(np.sin(np.arange(RATE_HZ) / 5.0))
    cut = safe_level(loud, RATE_HZ)
    assert 20 * np.log10(np.sqrt(np.mean(cut**2))) == pytest.approx(SAFE_LEVEL_DB, abs=0.1)
    assert cut[0] == 0 and abs(cut[-1]) < 1e-6
    click = np.zeros(RATE_HZ)
    click[4000] = 1.0
    assert np.abs(safe_level(click, RATE_HZ)).max() <= 0.5
    assert not safe_level(np.zeros(100), RATE_HZ).any()
