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
# # 5. Measured against truth
#
# Can these numbers be believed? In the invented demo study the truth is known: every vibrato was put into the
# sound on purpose. So each measured note can be laid beside the note that was really "played".
#
# With your own recordings there is no truth to compare with. This notebook then shows what *can* be checked.

# %%
import numpy as np
import pandas as pd

from vibstudy import figures as draw
from vibstudy.figures import error_table, match_truth, vibrato_notes
from vibstudy.study import open_study
from vibstudy.schema import QUALITY_REASONS

study = open_study()
study.say_origin()
notes, truth = study.notes(), study.truth()
if truth is None:
    study.callout(
        "This study holds real recordings, so the truth is not known: the parts about truth stay empty. What "
        "can be checked stands under <b>What can be checked without truth</b>, at the end."
    )

# %% [markdown]
# ## Were the notes found?
#
# A note counts as found when its beginning lies within a twentieth of a second of the true one and its pitch
# within half a semitone.

# %%
if truth is not None:
    with study.attempt("notes found"):
        pairs = match_truth(notes, truth)
        tags = study.manifest().set_index("recording_id")
        for tag in ("medium", "accompaniment"):
            pairs[tag] = pairs["true_recording_id"].map(tags[tag])
        pairs["found"] = pairs["onset_s"].notna()
        study.say(
            f"**{pairs['found'].sum()} of {len(pairs)} true notes were found** ({pairs['found'].mean():.1%}); "
            f"{len(notes) - pairs['found'].sum()} measured notes have no true partner."
        )
        shares = pairs.groupby(["medium", "accompaniment"])["found"].agg(["size", "mean"])
        study.show(shares.set_axis(["true notes", "share found"], axis=1), 3, index=True)

# %% [markdown]
# ## Rate and extent
#
# Above: every point is a note, true value to the right, measured value upwards. On the line they are equal.
# Below: the error, that is measured minus true, on a finer scale.
#
# *Median absolute error*: half of the notes are off by less. *Bias*: the mean error, that is, whether the tool
# reads systematically too high or too low. A bias is worse than a scatter: scatter averages out over many
# notes, a bias never does.

# %%
if truth is not None:
    with study.attempt("measured against truth"):
        both = pairs[pairs["true_has_vibrato"].astype(bool) & pairs["has_vibrato"].fillna(False).astype(bool)]
        study.save(*draw.measured_against_truth(both, "accompaniment"), "05_measured_against_truth")

# %%
if truth is not None:
    with study.attempt("the errors in numbers"):
        long_alone = both[(both["accompaniment"] == "none") & (both["true_duration_s"] >= 0.4)]
        study.say("Unaccompanied notes of 0.4 s and more, the ones the statistics rest on:")
        study.show(error_table(long_alone), 3)
        study.say("All notes, by medium:")
        study.show(error_table(both, "medium"), 3)

# %% [markdown]
# ## Do the standard errors keep their word?
#
# Each measured figure comes with a standard error. If it is honest, the truth lies within 1.96 standard errors
# for about 95 % of the notes.

# %%
if truth is not None:
    with study.attempt("the standard errors"):
        for name, error in (("rate_hz", "rate_se_hz"), ("extent_cents", "extent_se_cents")):
            known = both[both[error].notna()]
            inside = (known[name] - known[f"true_{name}"]).abs() <= 1.96 * known[error]
            shares = inside.groupby(known["quality"].eq("ok").map({True: "ok", False: "with remarks"})).agg(
                ["mean", "size"]
            )
            words = [
                f"{row['mean']:.0%} of {row['size']:.0f} notes of quality {kind}"
                for kind, row in shares.iterrows()
            ]
            study.say(
                f"- {name}: the truth lies within 1.96 standard errors for " + " and ".join(words) + "."
            )

# %% [markdown]
# Where the share is clearly below 95 %, the standard errors of such notes are too small, and so is any interval
# for a *single* note. The models of notebook 3 do not lean on them: they take their errors from how much notes,
# recordings and players really scatter.

# %% [markdown]
# ## Is there vibrato at all?
#
# Rows: the truth. Columns: what was measured. *Missing* means too short to tell, which is an honest answer.

# %%
if truth is not None:
    with study.attempt("vibrato found and missed"):
        found = pairs[pairs["found"]]
        said = found["has_vibrato"].map({True: "vibrato", False: "straight"}).fillna("missing")
        real = found["true_has_vibrato"].astype(bool).map({True: "vibrato", False: "straight"})
        study.show(pd.crosstab(real.rename("truth"), said.rename("measured")), index=True)

# %% [markdown]
# ## The whole way: effects estimated against effects built in
#
# The invented players were drawn from a model with known effects. The mixed models of notebook 3 should find
# them again, *within their intervals*: with this few players no estimate hits the truth exactly, and an
# interval of 95 % misses one time in twenty.

# %%
if truth is not None:
    with study.attempt("estimated against true effects"):
        from vibstudy.demo.summary import estimated_effects

        effects = estimated_effects(notes)
        inside = effects["true"].between(effects["low"], effects["high"])
        effects["inside the interval"] = np.where(inside, "yes", "no")
        study.show(effects[["meaning", "true", "estimate", "low", "high", "inside the interval"]], 3)

# %% [markdown]
# ## What can be checked without truth
#
# Three checks need no truth and work for every study:
#
# 1. **The tool's own doubts.** The table counts the reasons why notes are not trusted.
# 2. **Your ear.** Draw twenty notes at random and listen to each with its measured line: `vibstudy review`.
# 3. **Known tones.** `vibstudy tone` makes a tone with a vibrato you choose. Measure it like a recording.

# %%
with study.attempt("the tool's own doubts"):
    reasons = notes["quality"].fillna("ok").str.split(";").explode()
    counts = reasons.value_counts().rename_axis("reason").reset_index(name="notes")
    if not len(counts):
        study.say("No notes, no doubts.")
    else:
        counts["share"] = counts["notes"] / len(notes)
        counts["meaning"] = counts["reason"].map(QUALITY_REASONS).fillna("no reason to doubt")
        study.show(counts)
