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
from vibstudy.stats.selection import is_vibrato

study = open_study()
study.say_origin()
notes, truth = study.notes(), study.truth()
if truth is None:
    study.callout("Real recordings: the truth is not known. See <b>What can be checked without truth</b>, at the end.")

# %% [markdown]
# ## Were the notes found?
#
# A note counts as found when its beginning lies within a twentieth of a second of the true one and its pitch
# within half a semitone.

# %% jupyter={"source_hidden": true}
if truth is not None:
    with study.attempt("notes found"):
        from vibstudy.demo.summary import unmatched, unmatched_words

        pairs = match_truth(notes, truth)
        tags = study.manifest().set_index("recording_id")
        kinds = [tag for tag in ("medium", "accompaniment", "room") if tag in tags]
        for tag in kinds:
            pairs[tag] = pairs["true_recording_id"].map(tags[tag])
        pairs["found"] = pairs["onset_s"].notna()
        more = unmatched(notes, truth, pairs)
        study.say(
            f"**{pairs['found'].sum()} of {len(pairs)} true notes were found** ({100 * pairs['found'].mean():.1f} %). "
            f"{unmatched_words(more)}",
            {
                "true notes": (len(pairs), "notes"),
                "true notes found": (pairs["found"].sum(), "notes"),
                "share found": (100 * pairs["found"].mean(), "%"),
                "notes without a true partner": (len(more), "notes"),
                "of these in no model": ((~more["counts"]).sum(), "notes"),
                "of these in models": (more["counts"].sum(), "notes"),
                "of these parts of a true note": ((more["counts"] & more["piece"]).sum(), "notes"),
            },
        )
        shares = pairs.groupby(kinds)["found"].agg(["size", "mean"])
        study.show(shares.set_axis(["true notes", "share found"], axis=1), 3, index=True)

# %% [markdown]
# ## Rate and extent
#
# Above: every point is a note, true value to the right, measured value upwards. On the line they are equal.
# Below: the error, that is measured minus true, on a finer scale.
#
# *Median absolute error*: half of the notes are off by less. *Bias*: the mean error, that is, whether the tool
# reads systematically too high or too low. A bias is worse than a scatter: scatter averages out over many
# notes, a bias never does. In the tables *median_abs* is the median absolute error, and 95 % of the notes are off
# by less than *abs_95*; `rate_hz` is in Hz, `extent_cents` in cents, half of peak-to-peak.

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
        study.show(error_table(long_alone), 3, of="unaccompanied")
        for tag in kinds:
            study.say(f"All notes, by {tag}:")
            study.show(error_table(both, tag), 3, of=tag)

# %% [markdown]
# ## Rooms
#
# The early recordings of this study come from dry studios, most of the late ones from halls. A hall keeps
# sounding what was played a moment ago, and whoever reads the pitch of the mixture finds its vibrato narrower.
# The halls would then look like a change with the decades. The table gives the bias by room: the mean of
# measured less true extent, in per cent of the true one. And a room is itself a fact that is measured:
# how long it rings, and how far the direct sound stands above it, each beside the truth.

# %% jupyter={"source_hidden": true}
rooms_file = study.folder / "truth" / "recordings.csv"
if truth is not None and rooms_file.is_file():
    with study.attempt("the rooms"):
        from vibstudy.demo.summary import rooms_told

        counted = both[is_vibrato(both)]
        off = 100 * (counted["extent_cents"] / counted["true_extent_cents"] - 1).astype(float)
        table = off.groupby(counted["room"]).agg(["size", "mean", "median"])
        names = ["usable notes", "extent, mean error (%)", "extent, median error (%)"]
        usable = is_vibrato(pairs)[pairs["true_has_vibrato"].astype(bool)]
        share = pairs.loc[pairs["true_has_vibrato"].astype(bool), "room"].to_frame().assign(usable=usable)
        table = table.set_axis(names, axis=1)
        table["share of vibrato notes usable (%)"] = 100 * share.groupby("room")["usable"].mean()
        study.show(table, 1, index=True)
        told = rooms_told(study.recordings(), pd.read_csv(rooms_file))
        known = told.dropna(subset=["room_decay_s"])
        study.say(
            f"A room was told of {len(known)} of {len(told)} recordings. In the dry studios there is little to "
            f"tell: {(known['room'] == 'studio').sum()} of {(told['room'] == 'studio').sum()}.",
            {
                "recordings of which a room was told": (len(known), "recordings"),
                "recordings asked": (len(told), "recordings"),
                "of these in dry studios, told": ((known["room"] == "studio").sum(), "recordings"),
                "in dry studios": ((told["room"] == "studio").sum(), "recordings"),
            },
        )
        study.show(known, kept=False)

# %% [markdown]
# ## A trap in who accompanies
#
# In one decade all play beside a loud piano, in another all play alone. A loud piano leaves doubts at many notes,
# and more at narrow vibrato than at wide. Who keeps only the notes *without a remark* therefore compares the wide
# ones of one decade with all of the other. *ratio by choice* is the true ratio of the notes chosen: what it
# differs by from the first row, the choice has made. So the models take all usable notes, and let their standard
# errors say how sure they are: the fewer notes are lost, the less is left of the trap.

# %% jupyter={"source_hidden": true}
if truth is not None and rooms_file.is_file():
    with study.attempt("the trap of the loud piano"):
        from vibstudy.demo.summary import selection_trap, trap_words

        trap = selection_trap(notes, truth)
        study.show(trap, 2)
        told = {f"wider beside the piano, {row.notes}": (100 * (row.ratio - 1), "%") for row in trap.itertuples()}
        study.say(trap_words(trap), told)

# %% [markdown]
# ## Do the standard errors keep their word?
#
# Each measured figure comes with a standard error. If it is honest, the truth lies within 1.96 standard errors
# for about 95 % of the notes.

# %% jupyter={"source_hidden": true}
if truth is not None:
    with study.attempt("the standard errors"):
        for name, error in (("rate_hz", "rate_se_hz"), ("extent_cents", "extent_se_cents")):
            known = both[both[error].notna()]
            inside = (known[name] - known[f"true_{name}"]).abs() <= 1.96 * known[error]
            shares = inside.groupby(known["quality"].eq("ok").map({True: "ok", False: "with remarks"})).agg(
                ["mean", "size"]
            )
            words = [
                f"{100 * row['mean']:.0f} % of {row['size']:.0f} notes of quality {kind}"
                for kind, row in shares.iterrows()
            ]
            told = {
                f"{name}, {kind}, {column}": (100 * row["mean"] if column == "share" else row["size"], unit)
                for kind, row in shares.iterrows()
                for column, unit in (("share", "%"), ("notes", "notes"))
            }
            study.say(
                f"- {name}: the truth lies within 1.96 standard errors for " + " and ".join(words) + ".", told
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
