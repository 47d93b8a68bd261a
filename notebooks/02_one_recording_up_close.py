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
# # 2. One recording up close
#
# Every number of this study begins here: one player, one recording, one note. Before trusting a thousand
# notes, look at a few, and **listen** to them.

# %%
from vibstudy import figures as draw
from vibstudy.figures import (
    clearest_recording,
    heard_numbers,
    hearing_words,
    longest_vibrato_note,
    note_words,
)
from vibstudy.study import open_study

study = open_study()
study.say_origin()
notes = study.notes()

# %% [markdown]
# ## Which recording
#
# Write a recording's name between quotation marks to look at another one: `RECORDING = "its name"`. With
# `None` the notebook takes the one where there is most vibrato to see, unaccompanied if there is one.

# %%
RECORDING = None
SECONDS = 8

with study.attempt("one recording up close"):
    RECORDING = RECORDING or clearest_recording(notes)
    mine = notes[notes["recording_id"] == RECORDING]
    start = float(mine["onset_s"].min()) - 0.2
    tags = mine.iloc[0]
    kinds = mine["has_vibrato"].map({True: "with vibrato", False: "straight"}).fillna("where it cannot be told")
    counts = {kind: int((kinds == kind).sum()) for kind in ("with vibrato", "straight", "where it cannot be told")}
    study.say(
        f"**{RECORDING}**: {tags['player']}, {tags['region']}, {int(tags['decade'])}s. "
        f"{len(mine)} notes were found: " + ", ".join(f"{count} {kind}" for kind, count in counts.items()) + ".",
        {f"notes {kind}": (count, "notes") for kind, count in counts.items()},
    )

# %% [markdown]
# ## What the machine sees
#
# Above is a **spectrogram**: time runs to the right, frequency upwards, darkness is strength. A held note
# is a ladder of dark lines: its fundamental at the bottom, its overtones above. Vibrato makes every rung of
# the ladder wave together. The coloured line is the pitch that was followed.
#
# Below, each note is laid around **its own mean pitch**, in cents: hundredths of a semitone. Here vibrato shows
# at its true size. A coloured band is the extent found on that note; no band means a straight note, or one
# too short to tell. The mean is also where listeners hear the pitch of a vibrato tone (Brown and Vaughn 1996).

# %%
with study.attempt("the spectrogram and the notes"):
    sound, line = study.audio(RECORDING), study.line(RECORDING)
    study.save(
        *draw.recording_close_up(
            sound.samples, sound.rate_hz, line, mine, start, start + SECONDS, sound.origin_s
        ),
        "02_recording",
    )

# %% [markdown]
# Now listen while you look. *Your hearing:* the examples are levelled to be moderate, but only your own
# volume control decides what reaches your ear. Turn it down before the first try, most of all with
# headphones. *Copyright:* an excerpt of a commercial recording is for your own study here; before you pass
# this page on, ask what your local law allows, and take licensed advice when in doubt.

# %%
with study.attempt("listening to the recording"):
    study.listen(sound, start, start + SECONDS)

# %% [markdown]
# ## What is written down for each note
#
# One row a note. **Rate** is how many vibrato cycles there are in a second (Hz). **Extent** is how far the
# pitch moves to *each* side of its middle, in hundredths of a semitone (cents): *half* of the whole swing. A
# vibrato of ± 30 cents swings 60 cents from its lowest to its highest point. Other authors count the whole
# swing, so compare with care.
#
# The columns with `se` are **standard errors**: how much a figure may be off because a note is short and a
# recording noisy. As a rule, the truth lies within two standard errors, 19 times out of 20. An empty cell
# means *not known*, never zero.

# %%
with study.attempt("the table of notes"):
    columns = ["onset_s", "duration_s", "midi", "has_vibrato", "rate_hz", "rate_se_hz", "extent_cents"]
    columns += ["extent_se_cents", "vibrato_onset_s", "quality"]
    study.show(mine[columns].head(15), {"extent_cents": 1, "extent_se_cents": 1}, kept=False)

# %% [markdown]
# ## One note
#
# The longest vibrato of this recording. The black line is the measured pitch in cents around the note's own
# mean. The dashed line is not drawn by hand: it is a plain wave with exactly the rate and the extent that
# stand in the table. Where the two part, the player was less regular than a plain wave.

# %%
with study.attempt("one note with its vibrato"):
    note = longest_vibrato_note(mine)
    study.save(*draw.note_close_up(line, note), "02_note")
    study.say(note_words(note))
    study.listen(sound, note["onset_s"], note["offset_s"], "Listen to this one note:")

# %% [markdown]
# ## Is the line right? Look
#
# Take the measured pitch out of the sound again, and listen with the eye: on the left the note as it was played,
# on the right the same sound with the measured vibrato removed. Where the line is right, every rung of the ladder
# becomes **straight**, the upper ones too, which wave most. Where it were too narrow or too wide, waves would
# remain. What was not sung at that pitch at that moment, a room's echo or a piano, becomes wavy instead.
#
# Any note can be looked at so: write its number (the last part of its `note_id`) for `NUMBER`.

# %%
NUMBER = None

with study.attempt("the note with its vibrato taken out"):
    chosen = note if NUMBER is None else mine[mine["note_id"].str.endswith(f"/{NUMBER}")].iloc[0]
    picture = draw.picture_of(sound.samples, sound.rate_hz, line, chosen, sound.origin_s)
    study.save(*draw.draw_straightened(picture), "02_straightened")

# %%
with study.attempt("this note in words"):
    study.say(hearing_words(note), heard_numbers(note))

# %% [markdown]
# **Next:** [3. Rate and extent](03_rate_and_extent.ipynb), from one note to the whole corpus.
