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
# # 8. Practise
#
# From the page to the instrument: choose a vibrato, record yourself, and read note by note how close you came.
# Every take is remembered, so that weeks of practising become one figure.
#
# **Care for your hearing.** Reference tones (`vibstudy tone`) and loops: begin at a low volume, above all with
# headphones.

# %%
from vibstudy.playing.practice import (
    as_table,
    in_words,
    make_target,
    players_to_follow,
    practise,
    progress,
    read_history,
    spans_to_follow,
    target_like,
)
from vibstudy.study import open_study

study = open_study()
study.say_origin()
notes = study.notes()

# %% [markdown]
# ## The target
#
# Either a rate and an extent (± cents, half of peak to peak), or the name of a player or group of this study: then
# the target is the middle 80 % of its notes. The table shows whom you could follow. "Four to a beat at 72" is
# 4 × 72 / 60 = 4.8 Hz.

# %%
with study.attempt("players to follow"):
    study.keep(spans_to_follow(notes))
    study.show(players_to_follow(notes), kept=False)

# %%
RATE_HZ = 5.0
EXTENT_CENTS = 20.0
LIKE = ""  # a player, region, school or decade of the study; it takes the place of the two figures above
BEAT = 72  # metronome value, or 0

with study.attempt("the target"):
    target = target_like(study.folder, LIKE) if LIKE else make_target(RATE_HZ, EXTENT_CENTS)
    study.say(f"Target: {target.words}.")

# %% [markdown]
# ## Record
#
# Press *Record*, play one line alone, press *Stop and measure*. The browser asks once whether this page may use
# the microphone. Nothing leaves your computer; takes lie in the folder `practice/`.

# %% jupyter={"source_hidden": true}
with study.attempt("the recorder"):
    from IPython.display import display

    from vibstudy.playing.recorder import Recorder

    FOLDER = study.folder / "practice"
    HISTORY = FOLDER / "practice.csv"
    recorder = Recorder(FOLDER, target, HISTORY, BEAT or None)
    display(recorder)

# %% [markdown]
# ## Or take a file
#
# Where the browser gives no microphone, record with anything you have and put the file's name here (WAV or FLAC rather
# than MP3), then run the rest of the notebook.

# %%
TAKE = ""  # such as "practice/monday.wav"

with study.attempt("the take"):
    if TAKE:
        compared, values, _ = practise(study.folder / TAKE, target, HISTORY, BEAT or None)
        study.say("\n".join(f"- {line}" for line in in_words(values)))
        study.show(as_table(compared), index=False)
    else:
        study.say("No file is named.")

# %% [markdown]
# ## Progress
#
# Run this cell after some takes. Grey is the target of each.

# %%
with study.attempt("the progress"):
    history = read_history(HISTORY)
    if len(history):
        study.save(*progress(history), "08_progress")
    else:
        study.say("Nothing has been practised yet.")
