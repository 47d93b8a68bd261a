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
# # 3. Rate and extent, by period and region
#
# Did vibrato change over the decades? Does one region play wider than another? Here are the estimates, each
# with an honest measure of how sure one can be.
#
# If you have never met a *mixed model*, open
# [6. Mixed models for musicians](06_mixed_models_for_musicians.ipynb) beside this one. In a nutshell: a
# thousand notes by six players are **six players**, not a thousand. A mixed model knows who played what.

# %%
from dataclasses import replace

import numpy as np

from vibstudy import figures as draw
from vibstudy.figures import add_period, default_cuts, vibrato_notes
from vibstudy.study import formula, lines_over_decades
from vibstudy.study import means_by, open_study, parts_of_variance, ratio_words
from vibstudy.stats import check_sensitivity, find_confounds, fit_mixed, leave_out, lost_notes, plan_next
from vibstudy.stats import simulate_power
from vibstudy.stats.effects import add_decades, middle_decade, standard_effects
from vibstudy.stats.influence import influence_sentences

study = open_study()
study.say_origin()
notes = study.notes()

# %% [markdown]
# ## Periods
#
# For the comparison of periods the decades are grouped. The cut years below share the corpus out about
# evenly. Put your own in their place if music history gives you better ones, such as `CUTS = [1935, 1960]`.
# But decide **before** you look at the results: cuts chosen to make a difference look large prove nothing.

# %%
CUTS = default_cuts(notes["decade"])

with study.attempt("the periods"):
    notes = add_period(notes, CUTS)
    notes = add_decades(notes)
    study.say(f"Decades are counted from {middle_decade(notes)}, the middle of the corpus.")
    study.say("Periods: " + ", ".join(str(name) for name in notes["period"].cat.categories) + ".")

# %% [markdown]
# ## The players on one page
#
# Each marker is a player: how fast (to the right) and how wide (upwards). A line encloses the half of a
# period's notes that lie closest together. The dotted line is the *fusion limit*, a rule of thumb among
# players: below it vibrato tends to be heard as richness of tone, above it as movement of pitch.
#
# The axis of extent is logarithmic: from ± 10 to ± 20 cents is as long a way as from ± 20 to ± 40, since the
# ear and the finger think in proportions.

# %%
with study.attempt("players in the plane of rate and extent"):
    study.save(*draw.rate_extent_plane(notes), "03_rate_and_extent")

# %%
with study.attempt("the players' portraits"):
    study.save(*draw.player_portraits(notes), "03_portraits")

# %% [markdown]
# ## The model of rate
#
# The line of code below says: *rate depends on the decade and the region; besides, every player has a habit
# of their own, and every recording a mood of its own.*
#
# - Decade and region are **fixed effects**: the questions of the study.
# - Player and recording are **random effects**: a sample of many that might have been recorded. The model
#   measures how much they differ and lets every estimate pay for it.
#
# How to read the table. *estimate*: the best guess; for `decades`, the change in Hz from one decade to
# the next; for `region[T.X]`, region X minus the first region in the alphabet. *se*: its standard error.
# *low, high*: the **95 % interval**, the values that are compatible with the data; read this first. *df*,
# degrees of freedom: roughly, how many players the estimate rests on. *p*: how often a difference at least
# this large would turn up by chance if in truth there were none. A small p is no proof and a large p is no
# proof of equality.

# %%
with study.attempt("the model of rate"):
    rate = fit_mixed(vibrato_notes(notes), formula("rate_hz", notes, ["decades", "region"]))
    study.show(rate.table(), {"df": 1}, index=True)

# %%
PER_DECADE = {"decades": "From one decade to the next"}

with study.attempt("the change of rate in words"):
    study.say_effects(rate, PER_DECADE, "Hz")

# %% [markdown]
# In the next figure each point is one recording, and the recordings of a player are linked. The line is the
# model's estimate for a region of average rate, the band its 95 % interval; the broken line is the same with the
# medium held equal. Where the two part, these recordings cannot tell the decade from the medium. The band is about
# the *average of players*, so it is narrower than the cloud.

# %%
with study.attempt("rate over the decades"):
    study.save(*draw.change_over_decades(notes, "rate_hz", lines_over_decades(notes, "rate_hz")), "03_rate_over_decades")

# %% [markdown]
# ## The model of extent
#
# Extent is modelled through its **logarithm**, so that effects become percentages: "7 % narrower each
# decade" rather than "2 cents". The means are then *geometric means*, a typical extent that a few very
# wide notes cannot pull up.

# %%
with study.attempt("the model of extent"):
    extent = fit_mixed(vibrato_notes(notes), formula("log(extent_cents)", notes, ["decades", "region"]))
    study.say_effects(extent, PER_DECADE)

# %%
with study.attempt("extent over the decades"):
    lines = lines_over_decades(notes, "extent_cents")
    study.save(*draw.change_over_decades(notes, "extent_cents", lines), "03_extent_over_decades")

# %% [markdown]
# All effects on one page, presence of vibrato among them: filled marks without, open marks with the medium held
# equal. The odds stand on a logarithmic axis: 1 is no difference, 2 twice the odds. Grey is what these recordings
# cannot judge.

# %%
with study.attempt("all effects"):
    study.save(*draw.effects_forest(standard_effects(notes)), "03_effects")

# %% [markdown]
# ## Period by region
#
# Did all regions change in the same way? Here each combination of period and region gets a mean of its own.
# A combination that nobody recorded has no mean: the tool leaves it out rather than guess. Grey points are
# players; where there are one or two of them, no interval can be narrow.

# %%
with study.attempt("extent by period and region"):
    both = fit_mixed(vibrato_notes(notes), "log(extent_cents) ~ period * region")
    means = means_by(both, "region", "period")
    study.save(*draw.marginal_means(means, "extent_cents", notes), "03_extent_by_period_and_region")
    contrasts = both.contrasts("period", by=["region"])
    study.show(contrasts[["ratio", "ratio_low", "ratio_high", "df", "p", "p_holm"]], {"df": 1}, index=True)

# %% [markdown]
# The table compares the periods within each region. A *ratio* of 0.80 means 20 % narrower. Whoever asks
# many questions will get some answers by luck; **Holm's** correction (`p_holm`) makes each p larger by as
# much as that costs. Quote the corrected one.

# %% [markdown]
# ## Can the model be trusted?
#
# First the tool's own verdict.

# %%
with study.attempt("the verdict on the models"):
    for name, model in (("Rate", rate), ("Extent", extent)):
        study.say(f"**{name}.** " + " ".join(model.diagnose().sentences))

# %% [markdown]
# Next, what is left over. If the points lie near the line, the notes scatter the way the model assumes. A
# few strays at the ends are common and harmless; a bend, or one player far off, deserves a look.

# %%
with study.attempt("the check of the model"):
    study.save(*draw.model_check(extent), "03_check")

# %% [markdown]
# How alike are the notes of one player? The table splits the variation that decade and region leave
# unexplained. The larger the *share* between players, the less a further note by the same player tells, and
# the more a further player would.

# %%
with study.attempt("where the variation lies"):
    study.show(parts_of_variance(extent), 3)

# %% [markdown]
# Does one star carry the result? The model is fitted again without each player in turn. If the estimate
# moves a lot for one of them, the result is as much about that player as about the period.

# %%
with study.attempt("the change of extent without each player"):
    changes = leave_out(extent, label="decades")
    shown = changes.assign(**{name: 100 * np.expm1(changes[name]) for name in ("estimate", "all")})
    words = "Change of extent from one decade to the next (%)"
    study.save(*draw.without_each_player(shown, words), "03_without_each_player")
    per_cent = dict.fromkeys(("estimate", "all"), "%")
    study.keep(shown[["left_out", "term", "estimate", "all", "p"]], units=per_cent)
    words = {"decades": "the change of extent from one decade to the next"}
    study.say(" ".join(influence_sentences(changes, model=extent, words=words)))

# %% [markdown]
# ## What the design cannot separate
#
# Old recordings are on discs, new ones are digital. If noise made vibrato *look* wider or narrower, that
# would come out as a "change over the decades". Two checks: does the estimate survive with the medium in the
# model, and does it survive with the cleanest recordings only, the unaccompanied ones?

# %% jupyter={"source_hidden": true}
with study.attempt("the change of extent, with the medium and without accompaniment"):
    good = vibrato_notes(notes)
    alone = good[good["accompaniment"].fillna("none") == "none"]
    tries = {
        "As above": (good, ["decades", "region"]),
        "With the medium in the model": (good, ["decades", "region", "medium"]),
        "Unaccompanied recordings only": (alone, ["decades", "region"]),
    }
    for name, (chosen, terms) in tries.items():
        table = fit_mixed(chosen, formula("log(extent_cents)", chosen, terms)).table()
        if "decades" in table.index:
            row = table.loc["decades"]
            told = {column: (100 * np.expm1(row[column]), "%") for column in ("estimate", "low", "high")}
            told |= {column: (row[column], "") for column in ("df", "t", "p")}
            study.say(
                f"- {name}, from one decade to the next: {ratio_words(row)}",
                {f"{name}, {column}": number for column, number in told.items()},
            )

# %% [markdown]
# When the interval becomes much wider with the medium in the model, decade and medium are entangled. How far they
# are can be seen from the tags alone, before any note is measured: the table says how many times as wide each
# term's interval would be as if that term stood alone. Above 2, call them hard to tell apart. It is a rough guide
# that looks at recordings and not at who made them; where the same players recorded on several media, the model
# learns from that, and its interval has the last word.

# %%
with study.attempt("how far decade, region and medium are entangled"):
    entangled = find_confounds(good, formula("rate_hz", good, ["decades", "region", "medium"])).inflation
    study.show(entangled[["factor", "units"]].rename(columns={"factor": "times as wide"}), 1, index=True)

# %% [markdown]
# And the same two effects under other reasonable choices: stricter quality, one medium left out at a time,
# playback speeds that are not quite what the manifest says (a speed error moves the rate; it leaves extent alone),
# and what the notes lost to measuring could do: weighted by the chance to be kept, and in the two worst cases.

# %%
with study.attempt("the changes under other choices"):
    for name, outcome in (("Rate", "rate_hz"), ("Extent", "log(extent_cents)")):
        terms = formula(outcome, good, ["decades", "region"])
        words = f"the change of {name.lower()} from one decade to the next"
        other = check_sensitivity(good, terms, "decades", lost=lost_notes(notes), words=words)
        study.say(f"**{name}**, change from one decade to the next ({other.unit}):")
        units = dict.fromkeys(("estimate", "low", "high"), other.unit)
        columns = ["check", "notes", "players", "estimate", "low", "high", "p"]
        study.show(other.shown[columns], 3, units=units, of=name)
        study.say(" ".join(other.sentences))

# %% [markdown]
# ## How many more would it take?
#
# Suppose two regions truly differ by 10 cents, ± 40 against ± 30. Would a study like this one find it? The cell
# below invents many studies of this kind with exactly that difference, lets the model judge each, and counts. That
# share is the study's **power**; 80 % is what one commonly asks for. Then it lets the corpus grow in two ways: by
# new players for every region (a "cell"), and by more recordings of the players it has.
#
# Ask this about the smallest difference that would matter to you, never about the one you have just found:
# the power to see *that* only repeats what p has said.

# %%
DIFFERENCE_CENTS, FROM_CENTS = 10, 30

with study.attempt("the power of this study"):
    term = next((name for name in extent.names if name.startswith("region")), "decades")
    words = f"extent ({extent.level_words(term) or 'from one decade to the next'})"
    power = simulate_power(
        extent, term, DIFFERENCE_CENTS, at=FROM_CENTS, players=(0, 2, 4, 8, 12), recordings=(0, 3, 8), draws=60
    )
    power = replace(power, label=words)
    study.save(*draw.power_curves(power), "03_power")
    told = power.table.astype({"added": str})
    told[["power", "low", "high"]] *= 100
    study.keep(told, units=dict.fromkeys(("power", "low", "high"), "%"))
    study.say(str(power))

# %% [markdown]
# And what to look for first in the archives: whatever would narrow the interval most.

# %%
with study.attempt("what to record next"):
    plan = replace(plan_next(extent, term), label=words)
    told = {" ".join((row.what, row.place)): (100 * row.narrower, "%") for row in plan.table.head(3).itertuples()}
    study.say(str(plan), told)

# %% [markdown]
# ## Loudness swings along
#
# On most instruments the level moves with the pitch. Wide vibrato with little swing in level, or the
# other way round, tells something about how a player makes it: with the jaw, or with the breath.

# %%
with study.attempt("intensity against pitch"):
    study.save(*draw.intensity_against_pitch(notes), "03_intensity_and_pitch")

# %% [markdown]
# ## A word of caution
#
# Nobody assigned players to periods or regions by lot. These are **observations**: they can show that
# vibrato differed, never by themselves *why*. Teachers, instruments, repertoire, microphones and the taste of
# whoever kept the records all came along. Write "was narrower in", not "became narrower because of".

# %%
if study.is_demo:
    study.callout(
        "In this invented study the truth is known: "
        "<a href='05_measured_against_truth.ipynb'>5. Measured against truth</a> holds these estimates "
        "against it."
    )
