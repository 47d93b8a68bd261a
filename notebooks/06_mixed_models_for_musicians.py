# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # 6. Mixed models for musicians
#
# You need no mathematics for this page. You need one idea: **who** is being counted.
#
# Suppose you want to know whether players of one region use a wider vibrato than those of another. You have
# hundreds of measured notes from each. Is that not plenty? It depends on what you count.

# %%
import numpy as np
import pandas as pd
from scipy.stats import binom, ttest_ind

from vibstudy import figures as draw
from vibstudy.figures import need_players, two_largest, vibrato_notes
from vibstudy.study import open_study, p_words, parts_of_variance
from vibstudy.stats import fit_mixed

study = open_study()
study.say_origin()
notes = vibrato_notes(study.notes())
notes["log_extent"] = np.log(notes["extent_cents"].astype(float))

# %% [markdown]
# ## The careless way
#
# Take all notes of one region, all notes of another, and run the test from the first statistics course, the
# **t-test**: it compares the difference of two means with the scatter of the single values, and gives a
# **p-value**: how often a difference at least this large would turn up by chance if in truth there were none.
# Below 0.05 is called "significant".
#
# It is done here on the logarithm of extent, so that differences become percentages. The two regions are those
# with the most notes; name two others if you like.

# %%
with study.attempt("the careless test"):
    FIRST, SECOND = two_largest(notes, "region")
    a = notes.loc[notes["region"] == FIRST, "log_extent"]
    b = notes.loc[notes["region"] == SECOND, "log_extent"]
    careless = ttest_ind(b, a, equal_var=False)
    study.say(
        f"**{SECOND}** against **{FIRST}**: {100 * np.expm1(b.mean() - a.mean()):+.0f} % in extent, "
        f"{len(b)} notes against {len(a)}, **{p_words(careless.pvalue)}**.",
        {
            "difference": (100 * (np.exp(b.mean() - a.mean()) - 1), "%"),
            f"notes of {FIRST}": (len(a), "notes"),
            f"notes of {SECOND}": (len(b), "notes"),
            "p": (careless.pvalue, ""),
        },
    )

# %%
if study.is_demo:
    study.callout(
        "Remember that this corpus is invented. In the model that made it, Keldria and Aubrisk have <b>exactly "
        "the same</b> extent. Whatever the careless test says about these two is about the few players who "
        "happened to be recorded."
    )

# %% [markdown]
# ## What went wrong
#
# Look at the same notes, player by player. Each stroke is a note, each marker the mean of a player, each
# vertical line the mean of a region's players.

# %%
with study.attempt("the notes player by player"):
    two = notes[notes["region"].isin([FIRST, SECOND])]
    study.save(*draw.players_apart(two, "extent_cents", "region"), "06_players_apart")

# %% [markdown]
# Two things leap to the eye. The notes of one player keep **together**: once you have heard ten, the hundredth
# tells you little. And players differ **from one another**, within the same region too. So the real question
# is: are the *markers* of one region further right than those of the other, given how much markers scatter?
#
# The t-test over notes never asks this. It believes that every note is a fresh witness. But a player's notes
# are one witness saying the same thing many times.

# %% [markdown]
# ## Proof by lot
#
# Here is a trial whose truth is known for *any* study. Forget the regions. Draw lots to divide the players into
# two groups, A and B. There can be no true difference between two groups made by lot. Then test as before, and
# do it all again, many times. An honest test raises a false alarm in 5 % of the trials; that is what
# "5 % level" means.

# %% jupyter={"source_hidden": true}
TRIALS = 120

with study.attempt("the proof by lot"):
    need_players(notes, 4)
    players = notes["player"].unique()
    few = notes[["player", "recording_id", "log_extent"]]
    rng = np.random.default_rng(1)
    trials = []
    for _ in range(TRIALS):
        in_a = set(rng.permutation(players)[: len(players) // 2])
        lots = few.assign(lot=np.where(notes["player"].isin(in_a), "A", "B"))
        means = lots.groupby(["player", "lot"])["log_extent"].mean().reset_index()
        trials.append(
            {
                "t-test, notes": ttest_ind(*(g["log_extent"] for _, g in lots.groupby("lot"))).pvalue,
                "t-test, players": ttest_ind(*(g["log_extent"] for _, g in means.groupby("lot"))).pvalue,
                "mixed model": fit_mixed(lots, "log_extent ~ lot").table().loc["lot[T.B]", "p"],
            }
        )
    trials = pd.DataFrame(trials)
    study.save(*draw.false_alarms(trials), "06_false_alarms")
    low, high = (int(count) for count in binom.interval(0.95, TRIALS, 0.05))
    careless_count, model_count = (
        int((trials[test] < 0.05).sum()) for test in ("t-test, notes", "mixed model")
    )
    study.say(
        f"Of {TRIALS} trials, the test over notes raised a false alarm in **{careless_count}** "
        f"({100 * careless_count / TRIALS:.0f} %), the mixed model in **{model_count}** ({100 * model_count / TRIALS:.0f} %). "
        f"An honest test at the 5 % level would raise about {0.05 * TRIALS:.0f}; between {low} and {high} is luck.",
        {
            "trials": (TRIALS, ""),
            "alarms of the test over notes": (careless_count, ""),
            "share of the test over notes": (100 * careless_count / TRIALS, "%"),
            "alarms of the mixed model": (model_count, ""),
            "share of the mixed model": (100 * model_count / TRIALS, "%"),
            "alarms of an honest test": (0.05 * TRIALS, ""),
            "fewest by luck": (low, ""),
            "most by luck": (high, ""),
        },
    )

# %% [markdown]
# These trials deal the same players again and again, so they speak for this corpus. The tool's test was also tried on
# thousands of invented corpora of 6 to 20 players; the documentation (*What the verdicts mean*) has the table.
#
# The simplest repair of the test over notes is to give each player **one** number,
# the mean, and to test those: it is honest, but it throws away that some players have many notes and
# recordings and others few, and it cannot hold decade, region and medium at once.

# %% [markdown]
# ## The mixed model
#
# It keeps every note *and* remembers who played it:
#
# > extent = region + **player** + **recording** + note
#
# *Region* is a **fixed effect**: what you ask about. *Player* and *recording* are **random effects**: each
# player is a little wider or narrower than the region's mean, each recording a little different from the
# player's habit. The model measures how large these differences are and works out what they leave of the
# evidence. "Mixed" means that it has both kinds.
#
# In the tool this is one line. Player and recording need not be written; they are always there.

# %%
with study.attempt("the mixed model"):
    model = fit_mixed(two, "log(extent_cents) ~ region")
    study.show(model.table(), {"df": 1}, index=True)
    study.say_effects(model, {})

# %% [markdown]
# - **term**: what is estimated. *Intercept* is the mean of the region that others are compared with; *region[T.…]*
#   is the step from there to the region named.
# - **estimate**: the best guess (here on the log scale; the sentence below the table gives it in per cent).
# - **se**, standard error: how far such an estimate typically is from the truth.
# - **low, high**: the 95 % interval, the values compatible with the data. Read this first. If it holds both
#   "a good deal wider" and "a good deal narrower", the corpus does not know, however many notes there are.
# - **df**, degrees of freedom: how many independent pieces of evidence the error is judged by. It counts players,
#   less what the fixed effects use up of them, never notes.
# - **t** and **p**: the estimate in standard errors, and the probability explained above.

# %% [markdown]
# ## How much is a note worth?
#
# The model splits the scatter into three parts: between players, between recordings of a player, and between
# notes of a recording.

# %%
with study.attempt("what a note is worth"):
    parts = parts_of_variance(model)
    study.show(parts, 3)

# %% [markdown]
# With these three numbers one can reckon how the standard error of a region's mean would change if you had
# more of something. Think of a region with 5 players, 3 recordings each, 15 vibrato notes in each recording:

# %% jupyter={"source_hidden": true}
with study.attempt("more notes or more players"):
    variance = (parts.set_index("part")["sd"] ** 2).to_dict()

    def error(players, recordings, notes_each):
        return np.sqrt(
            variance["between players"] / players
            + variance.get("between recordings of a player", 0) / (players * recordings)
            + variance["between notes of a recording"] / (players * recordings * notes_each)
        )

    plans = {
        "as it is": (5, 3, 15),
        "four times as many notes": (5, 3, 60),
        "twice as many recordings": (5, 6, 15),
        "twice as many players": (10, 3, 15),
    }
    sizes = {name: error(*plan) / error(*plans["as it is"]) for name, plan in plans.items()}
    study.show(
        pd.DataFrame(
            [(name, *plan, f"{100 * sizes[name]:.0f} %") for name, plan in plans.items()],
            columns=["plan", "players", "recordings each", "notes each", "standard error (as it is = 100 %)"],
        )
    )
    study.say(
        f"Four times as many notes leave {100 * sizes['four times as many notes']:.0f} % of the standard error, "
        f"twice as many players leave {100 * sizes['twice as many players']:.0f} %.",
        {f"standard error left, {name}": (100 * size, "%") for name, size in sizes.items()},
    )

# %% [markdown]
# Wherever players differ more than notes do, that is the whole secret of planning such a study: **look for
# players, not for notes.**

# %% [markdown]
# ## What no model can do
#
# A mixed model gives each witness the right weight. It cannot call witnesses who never appeared. If all early
# recordings of a region are by two stars, then the stars, the era and the region are one thing
# ([1. What the corpus holds](01_corpus_coverage.ipynb) lists such cases). And since nobody assigned players to
# regions by lot, a difference is a difference, not its cause.
#
# ## Words to keep
#
# | word | meaning |
# |---|---|
# | fixed effect | what you ask about: period, region, tempo |
# | random effect | a sample of many: players, recordings, pieces |
# | estimate | best guess of a difference or a mean |
# | standard error | how far the estimate typically is from the truth |
# | 95 % interval | values compatible with the data |
# | degrees of freedom | independent pieces of evidence behind an estimate |
# | p | how often chance alone gives a difference this large |
# | confounded | always occurring together, so not to be told apart |
#
# **Now** go back to [3. Rate and extent](03_rate_and_extent.ipynb), where the same models are put to work.
