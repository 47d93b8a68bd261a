"""Questions to the statistics whose figures are pinned, all on the invented note table of the tests.

A case is a function of the jitter (each measured value is moved by so much of its size) that gives numbers,
tables and short words, nested as they come. Sentences are not pinned: wording may change.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from tests.invented_study import invented_notes

LONGEST_WORD = 24
LONGEST_LIST = 30
"""Of longer lists of numbers their number, mean, spread and last stand for all."""


@cache
def _plain_notes(players: int, recordings: int, count: int) -> pd.DataFrame:
    notes = invented_notes(players, recordings, count)
    rng = np.random.default_rng(3)
    size, number = len(notes), notes["player"].rank(method="dense").astype(int)
    place = notes.groupby("recording_id").cumcount()
    names = notes["player"].drop_duplicates().tolist()
    teacher = {name: names[i % (len(names) // 3)] for i, name in enumerate(names) if i >= len(names) // 3}
    return notes.assign(
        movement=pd.NA,
        measure=place // 4 + 1,
        beat=place % 4 + 1.0,
        beat_strength=np.where(place % 4 == 0, 1.0, np.where(place % 4 == 2, 0.5, 0.25)),
        notated_beats=np.exp2(rng.integers(-1, 2, size)),
        local_tempo_bpm=notes["tempo_bpm"] * (1 + 0.05 * rng.standard_normal(size)),
        slur_position=rng.choice(["first", "inside", "last", "none"], size),
        dynamic=rng.choice(["p", "mf", "f"], size),
        alignment_quality=0.9,
        written_midi=58 + place % 9,
        score_match="matched",
        teacher=notes["player"].map(teacher).astype("string"),
        period=np.where(number % 4 < 2, "early", "late"),
        rate_irregularity=0.04 * np.exp(0.3 * rng.standard_normal(size)) * (1 + 0.5 * (number % 2)),
        extent_irregularity=0.1 * np.exp(0.3 * rng.standard_normal(size)),
        speed_factor=np.where(number % 3 == 0, 0.98, np.nan),
        school=np.where(number % 5 < 2, "old", "new"),
    )


def notes_of(jitter: float, players: int = 12, recordings: int = 2, count: int = 14) -> pd.DataFrame:
    """The invented notes, every measured value moved by `jitter` of its size."""
    notes = _plain_notes(players, recordings, count).copy()
    if jitter:
        rng = np.random.default_rng(2)
        for name in ("rate_hz", "extent_cents", "duration_s", "level_db", "rate_irregularity", "midi"):
            if name in notes and pd.api.types.is_float_dtype(notes[name]):
                notes[name] *= 1 + jitter * rng.standard_normal(len(notes))
    return notes


def told(found: Any) -> Any:
    """Numbers, truths and short words of whatever is given; sentences, models and functions are left out."""
    if is_dataclass(found) and not isinstance(found, type):
        found = {field.name: getattr(found, field.name) for field in fields(found) if field.repr}
    if isinstance(found, pd.DataFrame):
        found = found.reset_index().to_dict("list")
    elif isinstance(found, pd.Series):
        found = found.to_dict()
    elif isinstance(found, np.ndarray):
        found = found.tolist()
    if isinstance(found, dict):
        return {str(key): value for key, item in found.items() if (value := told(item)) is not None}
    if isinstance(found, list | tuple | set | frozenset):
        values = [value for item in found if (value := told(item)) is not None]
        if len(values) <= LONGEST_LIST:
            return values
        if not all(isinstance(value, int | float | np.number) for value in values):
            return {"of": len(values), "last": values[-1], "kinds": len({str(value) for value in values})}
        series = pd.Series(values, dtype=float)
        return {"of": int(series.count()), "mean": series.mean(), "sd": series.std(), "last": values[-1]}
    if isinstance(found, str):
        return found if len(found) <= LONGEST_WORD else None
    if isinstance(found, bool | int | float | np.generic):
        return found
    return None


CASES: dict[str, Callable[[float], Any]] = {}


def case(function: Callable[[pd.DataFrame], Any]) -> Callable[[pd.DataFrame], Any]:
    """Enter a question of the table of notes under the function's name."""
    CASES[function.__name__.replace("_", " ")] = lambda jitter: told(function(notes_of(jitter)))
    return function


# --- mixed models


def _model(result: Any) -> dict[str, Any]:
    return {
        "terms": result.table(),
        "spread": result.variance_components(),
        "r2": result.r2(),
        "tests": result.tests(),
    }


@case
def mixed_model(notes):
    from vibstudy.stats import fit_mixed

    return _model(fit_mixed(notes, "rate_hz ~ decade + region"))


@case
def mixed_model_of_kenward_and_roger(notes):
    from vibstudy.stats import fit_mixed

    return _model(fit_mixed(notes, "log(extent_cents) ~ decade + region", df="kenward-roger"))


@case
def mixed_model_with_weights(notes):
    from vibstudy.stats import fit_mixed

    notes = notes.assign(rate_se_hz=0.05 + 0.1 * (notes["midi"].astype(float) % 3))
    return {
        outcome: _model(fit_mixed(notes, f"{outcome} ~ decade + duration_s", weights="measurement"))
        for outcome in ("rate_hz", "log(extent_cents)")
    }


@case
def mixed_model_of_shared_errors(notes):
    from vibstudy.stats import fit_mixed

    shared = {"medium": 0.05, "recording_id": 0.1}
    return fit_mixed(notes, "rate_hz ~ decade + school", shared=shared).table()


@case
def equivalence(notes):
    from vibstudy.stats import fit_mixed

    result = fit_mixed(notes, "rate_hz ~ decade + school")
    return {"terms": result.equivalence("decade", 0.02), "icc": result.icc(), "left": result.random_effects()}


@case
def mixed_model_of_crossed_factors(notes):
    from vibstudy.stats import fit_mixed

    return _model(fit_mixed(notes, "extent_cents ~ decade + C(medium)", crossed=["piece"], slopes=None))


@case
def mixed_model_of_own_slopes(notes):
    from vibstudy.stats import fit_mixed

    out = {}
    for name in ("midi", "duration_s"):
        result = fit_mixed(notes, f"rate_hz ~ {name} + region", slopes=name)
        out[name] = _model(result)
    return out


@case
def model_of_presence(notes):
    from vibstudy.stats import fit_presence

    result = fit_presence(notes, "has_vibrato ~ log2(duration_s) + region")
    return {"terms": result.table(), "spread": result.variance_components(), "r2": result.r2()}


@case
def means_and_contrasts(notes):
    from vibstudy.stats import fit_mixed

    result = fit_mixed(notes, "log(extent_cents) ~ C(decade) + region")
    return {"means": result.means("region"), "contrasts": result.contrasts("region")}


@case
def diagnosis_of_a_model(notes):
    from vibstudy.stats import fit_mixed

    return vars(fit_mixed(notes, "extent_cents ~ decade + region").diagnose())


@case
def players_left_out(notes):
    from vibstudy.stats import fit_mixed, leave_out

    result = fit_mixed(notes, "rate_hz ~ decade + region")
    return {"players": leave_out(result), "recordings": leave_out(result, "recording").head(20)}


@case
def resampling(notes):
    from vibstudy.stats import fit_mixed, parametric_bootstrap, permutation_test

    result = fit_mixed(notes, "rate_hz ~ decade + school")
    return {
        "bootstrap": parametric_bootstrap(result, "school: old - new", draws=20, seed=4),
        "permutation": permutation_test(
            fit_mixed(notes, "rate_hz ~ school"), "school: old - new", 99, seed=4
        ),
    }


@case
def confounds(notes):
    from vibstudy.stats import coverage, find_confounds

    return {
        "coverage": coverage(notes),
        "found": vars(find_confounds(notes, "rate_hz ~ C(decade) + region + medium")),
    }


@case
def sensitivity(notes):
    from vibstudy.stats import check_sensitivity

    rng = np.random.default_rng(5)
    other = notes.assign(rate_hz=notes["rate_hz"] + 0.05 * rng.standard_normal(len(notes)))
    gone = (notes["school"] == "old") & (rng.random(len(notes)) < 0.3) & (notes["duration_s"] < 0.7)
    out = {}
    for name, label in (("decade", "decade"), ("school", "school[T.old]")):
        out[name] = check_sensitivity(
            notes[~gone],
            "rate_hz ~ decade + school",
            label,
            other_trackers={"other": other},
            lost=notes[gone],
            speed_draws=5,
        )
    return out


@case
def power(notes):
    from vibstudy.stats import fit_mixed, plan_next, simulate_power

    result = fit_mixed(notes, "rate_hz ~ decade + school")
    label = "school: old - new"
    return {
        "power": simulate_power(result, label, 0.3, players=(0, 6), recordings=(0, 4), draws=20),
        "next": plan_next(result, label, by=("school",)),
    }


# --- claims


def _claims():
    from vibstudy.stats.claimfile import Claim, Contrast

    def claim(name: str, outcome: str, contrast: Contrast, expect: str, **more: Any) -> Claim:
        return Claim(name, "Invented.", outcome, contrast, expect, **more)

    decades = Contrast("decade", 1930, 2000)
    return [
        claim("slower", "rate_hz", decades, "lower", adjust=("region",)),
        claim("wider", "extent_cents", decades, "higher", scale="log", margin=5.0),
        claim("bands", "rate_hz", Contrast("decade", 1930, 1980, factor=True), "different"),
        claim("curve", "extent_cents", Contrast("decade", 1930, 2000, shape="curve"), "higher"),
        claim("break", "rate_hz", Contrast("decade", 1930, 2000, cut=1960), "lower"),
        claim("regions", "rate_hz", Contrast("region", "Keldria", "Aubrisk"), "same", margin=0.5),
        claim("across", "extent_cents", Contrast("school", "old", "new", across="decade", across_start=1930,
              across_end=2000), "different"),
        claim("present", "has_vibrato", Contrast("school", "old", "new"), "higher"),
        claim("amount", "extent_cents", Contrast("school", "old", "new"), "different",
              filter="duration_s > 0.4", crossed=("piece",)),
    ]  # fmt: skip


def _finding(finding: Any) -> dict[str, Any]:
    names = [
        "estimate",
        "low",
        "high",
        "df",
        "players",
        "recordings",
        "notes",
        "labels",
        "told",
        "raw",
        "look",
        "remarks",
        "others",
    ]
    out = {name: getattr(finding, name) for name in names} | {"p": finding.p, "verdict": finding.verdict()}
    out["evidence"] = vars(finding.evidence) if hasattr(finding.evidence, "__dict__") else finding.evidence
    out["obstacle"] = finding.obstacle
    return out


@case
def claims(notes):
    from vibstudy.stats.examine import examine

    return {claim.id: _finding(examine(claim, notes)) for claim in _claims()}


@case
def claims_where_notes_were_lost(notes):
    from vibstudy.stats.claimfile import Claim, Contrast
    from vibstudy.stats.examine import examine

    rng = np.random.default_rng(8)
    lost = (notes["school"] == "old") & (rng.random(len(notes)) < 0.35)
    lossy = notes.assign(
        quality=notes["quality"].where(~lost, "noisy"), usable=~lost & notes["has_vibrato"].notna()
    )
    lossy["rate_hz"] += 0.9 * (lossy["school"] == "old")
    lossy["extent_cents"] *= 1 + 0.6 * (lossy["school"] == "old")
    lossy.loc[lost, ["rate_hz", "extent_cents"]] = np.nan
    lossy.loc[lost, "has_vibrato"] = pd.NA
    schools = Contrast("school", "old", "new")
    asked = [
        Claim("rate", "Invented.", "rate_hz", schools, "lower"),
        Claim("width", "Invented.", "extent_cents", schools, "lower", scale="log"),
        Claim("change", "Invented.", "rate_hz", schools, "different", margin=0.1, adjust=("decade",)),
    ]
    return {claim.id: _finding(examine(claim, lossy)) for claim in asked}


@case
def claims_judged(notes):
    from vibstudy.stats import evaluate_claims

    return evaluate_claims(_claims()[:3], notes)


@case
def all_ways_to_ask(notes):
    from vibstudy.stats import all_ways

    return vars(all_ways(_claims()[0], notes))


def _looks(jitter: float) -> Any:
    from vibstudy.stats.looks import all_looks_p, boundaries, lasting, nominal_level, spent, standing_of

    shares = [0.3, 0.55, 1.0]
    return told(
        {
            "spent": [spent(share) for share in (0.1, 0.5, 0.9)],
            "boundaries": boundaries(shares),
            "planned": [all_looks_p(p, shares) for p in (0.001, 0.02, 0.2)],
            "any": [all_looks_p(p, shares, lasting(0.3)) for p in (0.001, 0.02, 0.2)],
            "level": nominal_level(shares),
            "standing": [standing_of(0.01, [40, 60], 80, planned) for planned in (None, 120, 80)],
        }
    )


CASES["looks"] = _looks

# --- further questions


@case
def usage(notes):
    from vibstudy.stats.usage import add_context, length_class, note_tempo, tempo_test, usage_index

    context = add_context(notes)
    own = [name for name in context if name not in notes]
    numbers = context[own].select_dtypes(["number", "boolean"]).astype("Float64")
    return {
        "context": {"mean": numbers.mean(), "sd": numbers.std()},
        "words": {name: context[name].value_counts() for name in own if name not in numbers},
        "lengths": length_class(notes["duration_s"]).value_counts(),
        "tempo": note_tempo(notes).describe(),
        "index": usage_index(notes),
        "test": tempo_test(notes, draws=200),
    }


@case
def amounts(notes):
    from vibstudy.stats import amount_by_group, vibrato_amount
    from vibstudy.stats.amount import compare_amounts

    return {
        "all": vibrato_amount(notes),
        "groups": amount_by_group(notes, "period"),
        "compared": compare_amounts(notes, "period", "early", "late"),
    }


@case
def spreads(notes):
    from vibstudy.stats import compare_spread

    return {
        name: compare_spread(notes, "period", "early", "late", name) for name in ("extent_cents", "rate_hz")
    }


@case
def regularity(notes):
    from vibstudy.stats import compare_regularity

    return {
        f"{outcome} {where}": compare_regularity(notes, "period", "early", "late", outcome, where)
        for outcome in ("rate_hz", "extent_cents")
        for where in ("within notes", "from note to note")
    }


@case
def trade_of_rate_and_extent(notes):
    from vibstudy.stats import trade

    return {"all": trade(notes), "within": trade(notes, within="region")}


@case
def pupils(notes):
    from vibstudy.stats import pupils_near_teachers

    return pupils_near_teachers(notes.assign(decade=1950, region="Keldria"), draws=99)


@case
def same_notes(notes):
    from vibstudy.stats import compare_same_notes

    same = notes.assign(piece="Study")
    return {
        name: compare_same_notes(same, "period", "early", "late", name)
        for name in ("rate_hz", "extent_cents")
    }


def _kinds(jitter: float) -> Any:
    from vibstudy.stats import kinds_of_use

    return told(kinds_of_use(notes_of(jitter, 16, 1, 16)))


CASES["kinds of use"] = _kinds


def _agreement(jitter: float) -> Any:
    from vibstudy.stats import acceptance, cohen_kappa, icc, limits_of_agreement

    rng = np.random.default_rng(6)
    truth = rng.normal(30, 8, 25)
    ratings = truth[:, None] + rng.normal(0, 2, (25, 3)) + [0.0, 1.0, -0.5]
    words = np.array(["yes", "no", "unsure"])
    first = rng.integers(0, 3, 60)
    second = np.where(rng.random(60) < 0.7, first, rng.integers(0, 3, 60))
    reviewed = pd.DataFrame(
        {
            "reviewed": rng.choice(["accepted", "corrected", "rejected", "auto"], 80),
            "medium": rng.choice(["digital", "tape_lp"], 80),
        }
    )
    return told(
        {
            "icc": icc(ratings),
            "kappa": cohen_kappa(words[first], words[second]),
            "weighted": cohen_kappa(first, second, weights="linear"),
            "limits": limits_of_agreement(ratings[:, 0], ratings[:, 1]),
            "accepted": acceptance(reviewed, ["medium"]),
        }
    )


CASES["agreement"] = _agreement


# --- scores


def _scores(jitter: float) -> Any:
    """Played notes laid on a part: rubato, wrong notes, cuts, grace notes, transposed, another piece."""
    import tempfile
    from pathlib import Path

    from tests.pinned_takes import score
    from vibstudy.errors import VibstudyError
    from vibstudy.notes.score import align_score
    from vibstudy.notes.written import read_score

    rng = np.random.default_rng(12)
    steps = [("C", 0), ("D", 2), ("E", 4), ("F", 5), ("G", 7), ("A", 9), ("B", 11)]
    drawn = [
        (
            *steps[rng.integers(0, 7)],
            int(rng.integers(4, 6)),
            0 if i % 15 == 4 else int(rng.choice([1, 2, 2, 4])),
        )
        for i in range(44)
    ]
    out: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "score.musicxml"
        path.write_text(score(*((step, at, length) for step, _, at, length in drawn)), encoding="utf-8")
        written = read_score(path)[0].orders
        out["written"] = {name: [vars(note) for note in notes][:6] for name, notes in written.items()}
        for name, rubato, shift, gone, wrong in (
            ("plain", 0.0, 0, (), ()),
            ("rubato", 0.18, -2, (7, 8), (3, 20)),
            ("much rubato", 0.4, 0, (12, 13, 30), (5, 22, 23)),
            ("cut", 0.08, 9, range(24, 30), (2, 40, 41)),
            ("cut of three", 0.08, 0, range(24, 27), (10, 36)),
            ("octaves", 0.1, 0, (30, 31, 32), (10, 11, 12, 25)),
            ("far", 0.05, -31, (), (1,)),
            ("half another", 0.25, 0, (), range(0, 44, 3)),
            ("mostly another", 0.25, 0, (), (*range(0, 44, 2), *range(1, 44, 6))),
        ):
            beat_s, clock, rows = 0.6, 0.2, []
            for i, (_, semitone, octave, length) in enumerate(drawn):
                long = length / 2 * beat_s * (1 + rubato * np.sin(i / 5)) * (1 + rubato / 3 * rng.normal())
                if i not in gone:
                    midi = 12 * (octave + 1) + semitone + shift + rng.normal(0, 0.2) + 0.2
                    midi += {"octaves": 12, "far": 1}.get(name, 3) * (i in wrong)
                    starts = clock if length else clock - 0.07
                    rows.append((starts, starts + max(0.9 * long, 0.06), 440 * 2 ** ((midi - 69) / 12)))
                if i not in gone or "cut" not in name:
                    clock += long
                if i % 17 == 9:  # a note that is not written
                    rows.append((clock - 0.08, clock - 0.01, 700.0))
            played = pd.DataFrame(sorted(rows), columns=["onset_s", "offset_s", "pitch_hz"])
            try:
                table, missing, report = align_score(played, path)
            except VibstudyError as error:
                out[name] = error.problems[0].got
                continue
            shown = table[["score_match", "written_midi", "local_tempo_bpm", "alignment_quality"]]
            for part in range(0, len(shown), LONGEST_LIST):
                out[f"{name} from {part}"] = shown.iloc[part : part + LONGEST_LIST]
            out[name] = {"missing": missing, "report": report}
    return told(out)


CASES["scores"] = _scores


def _octaves(jitter: float) -> Any:
    """A tone whose odd or outer harmonics grow softer, held at its pitch, an octave higher and lower."""
    from dataclasses import replace

    from tests.signals import RATE_HZ
    from vibstudy.pitch import octaves
    from vibstudy.pitch.accompaniment import find_accompaniment
    from vibstudy.pitch.contour import Contour
    from vibstudy.pitch.refine import refine_note

    time_s = np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * 220.0 * time_s + 0.3 * np.sin(2 * np.pi * 5.5 * time_s)
    frames_s = np.arange(0.0, 1.2, 0.01)
    rng = np.random.default_rng(8)
    out = {}
    for softer_db in (3.0, 14.0, 26.0):
        parts = [
            10 ** (-(softer_db if k % 2 else 0.0) * (1 - 0.3 * time_s) / 20) / k * np.sin(k * phase)
            for k in range(1, 15)
        ]
        sound = 0.1 * np.sum(parts, axis=0) + 1e-3 * rng.standard_normal(len(time_s))
        sound *= 1 + jitter
        for held in (0.5, 1.0, 2.0, 3.0):
            pitch = np.full(len(frames_s), 220.0 * held)
            contour = Contour(frames_s, pitch, np.ones(len(pitch)), np.full(len(pitch), True))
            line = refine_note(sound, RATE_HZ, contour, 0.05, 1.15)
            alone = find_accompaniment(sound, RATE_HZ, line)
            nobody = replace(alone, below_db=-99.0, twelfth_db=-99.0)
            for asked, accompaniment, said in (
                ("below", replace(nobody, below_db=0.0), 0.3),
                ("twelfth", replace(nobody, twelfth_db=0.0), 0.0),
                ("above", nobody, 0.0),
            ):
                found = octaves.true_pitch(sound, RATE_HZ, line, accompaniment, said)
                out[f"{softer_db:g} dB softer, held at {held:g}, {asked}"] = [float(x) for x in found[:2]]
    levels, shares = np.arange(-20.0, 0.0, 0.5), np.arange(0.0, 0.5, 0.02)
    for others in (-7.0, 0.0, 4.0):  # what eight other notes say of a weak fundamental
        told_among = octaves.lower_among([[-5.0, others]] * 8 + [[-5.0, odds] for odds in (-6.0, -2.0, 1.0)])
        out[f"among others, {others:g}"] = told_among.tolist()
    out["asked below"] = [
        len(octaves.octave_candidates(line, replace(nobody, below_db=x), 0.0)) for x in levels - 16.0
    ]
    out["asked a twelfth below"] = [
        len(octaves.octave_candidates(line, replace(nobody, twelfth_db=x), 0.0)) for x in levels
    ]
    out["asked as said"] = [len(octaves.octave_candidates(line, nobody, x)) for x in shares]
    weights = [replace(line, weight=np.array([x, 1 - x])) for x in shares]
    out["asked above"] = [len(octaves.octave_candidates(other, nobody, 0.0)) for other in weights]
    return told(out)


CASES["octaves"] = _octaves


@case
def length_curve(notes):
    """A player who vibrates on long notes, one on all, and one of few notes."""
    from vibstudy.stats.usage import length_curve

    own = notes[notes["player"] == notes["player"].iloc[0]]
    own = own.assign(has_vibrato=own["duration_s"] > own["duration_s"].median())
    at = np.array([0.2, 0.5, 1.0, 2.0, 4.0])
    return {
        "long notes": length_curve(own, 0.1, at),
        "all": length_curve(own.assign(has_vibrato=True), 0.0, at),
        "few": length_curve(own.head(4), 0.3, at),
    }


def _ranges(jitter: float) -> Any:
    from vibstudy.pitch import ranges

    return told({name: ranges.range_hz(name, 5.0) for name in ranges.RANGES_MIDI})


CASES["ranges of instruments"] = _ranges
