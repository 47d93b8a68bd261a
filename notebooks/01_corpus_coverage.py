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
# # 1. What the corpus holds
#
# Before any number about vibrato comes a plain question: **who plays here, when, where, and on what kind
# of record?** A study can only compare what it holds. If every early recording from one place is by the
# same player, then "early", "that place" and "that player" are three names for one thing, and no
# statistics can pull them apart afterwards.
#
# This notebook, and the five after it, run from top to bottom: choose *Run*, then *Run All Cells*. Each
# figure is also saved in the folder `figures/`: as PDF for print, as PNG for slides, and its numbers as CSV
# for a spreadsheet.

# %%
from vibstudy import figures as draw
from vibstudy.figures import coverage_numbers, coverage_words, measured_counts, telling_length_s
from vibstudy.study import open_study
from vibstudy.stats import find_confounds

study = open_study()
study.say_origin()

# %% [markdown]
# ## The map
#
# Each box is one decade in one region. It gives the number of **players** first, then of **recordings**;
# the darker the box, the more recordings. The bar shows the medium. Look for three things: empty boxes,
# boxes with a single player, and media that only occur in some decades.

# %%
recordings = study.recordings()
with study.attempt("the coverage map"):
    study.save(*draw.coverage_map(recordings), "01_coverage")

# %% [markdown]
# In numbers:

# %%
with study.attempt("the corpus in numbers"):
    study.say(coverage_words(recordings), coverage_numbers(recordings))

# %% [markdown]
# ## What this corpus cannot tell apart
#
# Two things are **confounded** when they always come together. The sentences below are worked out from the
# manifest, before any vibrato is looked at, so they cannot be coloured by a result one hopes for. Take
# them along into the paper: they are its limitations.

# %%
with study.attempt("what this corpus cannot tell apart"):
    study.say_list(find_confounds(recordings).sentences)

# %% [markdown]
# ## How much could be measured
#
# A note must last about two vibrato cycles before anyone, ear or machine, can say whether it has vibrato. On a
# rather short note a strong vibrato may still be found, but a straight tone cannot be told from a slow beginning:
# vibrato can be found there, never denied. So whenever a *share* of notes is given, it is a share of the notes
# **long enough to tell either way**. How long that is, is worked out from the corpus itself.

# %%
notes = study.notes()
with study.attempt("how much could be measured"):
    study.show(measured_counts(notes, "medium" if notes["medium"].notna().any() else "region"))
    study.say(f"In this study, notes of {telling_length_s(notes):.2f} s and more are long enough to tell.")

# %% [markdown]
# `long_enough` counts the notes long enough to tell, and `with_vibrato` those of them on which vibrato was found.
# `usable` counts the notes, of any length, whose rate and extent are good enough for the models: not masked by
# the accompaniment, not torn, not in doubt by an octave. Compare the rows. If old discs lose many more notes than new recordings,
# then the notes that remain from them are a selection: mostly the long and loud ones.
#
# **Next:** [2. One recording up close](02_one_recording_up_close.ipynb), where you can hear what was measured.
