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
# # 4. Where vibrato is put
#
# Some players vibrate on nearly every note: vibrato is part of their *tone*. Others keep it for chosen notes:
# it is an *ornament*. Which players do what, and which notes do they choose?
#
# All shares here are shares of the notes **long enough to tell**. On shorter notes vibrato may be found, but its
# absence cannot be shown, so that counting them would make every player look too fond of vibrato.

# %%
import numpy as np

from vibstudy import figures as draw
from vibstudy.figures import clearest_recording, assessable_notes, telling_length_s, vibrato_notes
from vibstudy.study import estimate_words, formula, open_study, p_words, worded_effects
from vibstudy.stats.usage import add_context, note_tempo, scored_notes, tempo_test, usage_index
from vibstudy.stats import fit_mixed, fit_presence

study = open_study()
study.say_origin()
notes = study.notes()

# %%
with study.attempt("the length from which on one can tell"):
    long_enough = assessable_notes(notes)
    study.say(
        f"{len(long_enough)} of {len(notes)} notes are long enough to tell: those of "
        f"{telling_length_s(notes):.2f} s and more."
    )

# %% [markdown]
# ## Length first
#
# Long notes nearly always get more vibrato than short ones, simply because there is time. One panel is one
# player; points are shares of notes of about one length, the line a fitted curve with its band. A line that stays
# high is *continuous*; a line that climbs is *ornamental*.

# %%
with study.attempt("vibrato by length of note"):
    index = usage_index(notes)
    study.save(*draw.vibrato_by_length(notes, index), "04_vibrato_by_length")

# %% [markdown]
# ## How continuous, how ornamental: one line a player
#
# A player who was recorded in slow pieces has more long notes and would look more continuous for that alone.
# So two fair numbers are worked out:
#
# - **Continuity**, from 0 to 1. The corpus's notes are cut into short, middle and long thirds; the player's share
#   is taken in each third, and the three shares are averaged. 1 means every note, 0 means none.
# - **Ornament gap**: the share on long notes minus the share on short notes. Near 0, length does not matter;
#   near 1, vibrato is kept for the long notes.
#
# The bars are 95 % intervals. They allow for the fact that notes of one recording resemble each other. A
# player is called *continuous*, *ornamental* or *straight* only when the whole interval agrees; all others are
# *between*. (The limits are 0.75, 0.25 and 0.25; they are this tool's own choice.)

# %%
with study.attempt("the usage index"):
    study.save(*draw.usage_by_player(index), "04_usage_by_player")
    words = index["use"].value_counts()
    study.say(
        "Players: " + ", ".join(f"{count} {use}" for use, count in words.items()) + ".",
        {f"players called {use}": (count, "players") for use, count in words.items()},
    )
    columns = ["player", "recordings", "notes", "share", "time_share", "continuity", "gap", "use", "remark"]
    study.show(index[columns])

# %% [markdown]
# `share` is the plain share of notes, `time_share` the share of sounding time in which pitch really moves: a
# player may vibrate on every note and yet begin each of them straight.
#
# ## Which notes are chosen?
#
# Length is only one thing that stands around a note. The model below asks for several at once, so that each
# is judged with the others held still:
#
# - `doublings`: length. One step is twice as long.
# - `register_octaves`: height. One step is an octave above the player's middle note.
# - `loudness_db`: level. One step is one decibel above the recording's middle level.
# - `place`: *first* or *last* note of a phrase, against the notes *inside* it. A phrase ends with a silence of
#   0.3 s.
# - `phrase_peak`: the highest note of its phrase.
#
# The outcome is yes or no, so the model works with **odds**. Odds of 3 mean "three notes with vibrato for
# every one without", that is 75 %. An effect of "2 times" turns odds of 3 into odds of 6, or 86 %. Player and
# recording are random effects, as always.

# %%
TERMS = ["doublings", "register_octaves", "loudness_db", "place", "phrase_peak"]
WORDING = {
    "doublings": "A note twice as long",
    "register_octaves": "A note an octave higher",
    "loudness_db": "A note one decibel louder",
    "place[T.first]": "The first note of a phrase, against one inside",
    "place[T.last]": "The last note of a phrase, against one inside",
    "place[T.alone]": "A note that is a phrase by itself, against one inside",
    "phrase_peak[T.True]": "The highest note of its phrase, against a lower one",
}

with study.attempt("which notes get vibrato"):
    context = add_context(notes)
    assessable = assessable_notes(context)
    presence = fit_presence(assessable, formula("has_vibrato", assessable, TERMS))
    study.say_effects(presence, WORDING, head="Odds of vibrato:")

# %% [markdown]
# Now the same question for the **extent** of those notes that do vibrate.

# %%
with study.attempt("which notes get wide vibrato"):
    vibrating = vibrato_notes(context)
    extent = fit_mixed(vibrating, formula("log(extent_cents)", vibrating, TERMS))
    study.say_effects(extent, WORDING, head="Extent:")

# %% [markdown]
# The same at a glance. To the right of the dotted line vibrato is more often there, or wider.

# %%
with study.attempt("which notes, at a glance"):
    both = {"presence": presence, "extent": extent}
    study.save(*draw.effects_forest(worded_effects(both, WORDING)), "04_which_notes")

# %% [markdown]
# ## What was written
#
# Played length is the player's; *written* length is the composer's. For recordings with a **score** (column
# `score_path` of the manifest: MusicXML or MIDI) each note knows its place in it, and one can ask what the
# composer's hand has to do with vibrato:
#
# - `notated_doublings`: written length. One step is twice as long.
# - `beat_strength`: 1 at the bar line, 1/2 on the next strongest beat, and so on; 0 between all beats.
# - `dynamic_steps`: the written dynamic. One step is from *mf* to *f*, or from *p* to *mp*.
# - `slur_position`: *first*, *inside* or *last* under a slur, against notes under *none*.
#
# Notes that are not written (ornaments, slips) and notes whose place is unsure are left out.

# %%
SCORE_TERMS = ["notated_doublings", "register_octaves", "beat_strength", "dynamic_steps", "slur_position"]
SCORE_WORDING = WORDING | {
    "notated_doublings": "A note written twice as long",
    "beat_strength": "A note at the bar line, against one between all beats",
    "dynamic_steps": "One step of the written dynamic louder",
    "slur_position[T.first]": "The first note under a slur, against one under none",
    "slur_position[T.inside]": "A note inside a slur, against one under none",
    "slur_position[T.last]": "The last note under a slur, against one under none",
}

# %%
with study.attempt("what was written"):
    written = scored_notes(context)
    study.say(
        f"{len(written)} notes of {written['recording_id'].nunique()} recordings lie on a written note. "
        "How well each score fits stands in `results/recordings.csv`, column `score_fit`.",
        {
            "notes on a written note": (len(written), "notes"),
            "recordings with a score": (written["recording_id"].nunique(), "recordings"),
        },
    )
    assessable_written = assessable_notes(written)
    presence = fit_presence(assessable_written, formula("has_vibrato", assessable_written, SCORE_TERMS))
    study.say_effects(presence, SCORE_WORDING, head="Odds of vibrato:")

# %%
with study.attempt("extent and what was written"):
    vibrating = vibrato_notes(scored_notes(context))
    extent = fit_mixed(vibrating, formula("log(extent_cents)", vibrating, SCORE_TERMS))
    study.say_effects(extent, SCORE_WORDING, head="Extent:")

# %%
with study.attempt("what was written, at a glance"):
    both = {"presence": presence, "extent": extent}
    study.save(*draw.effects_forest(worded_effects(both, SCORE_WORDING)), "04_what_was_written")

# %% [markdown]
# And one passage to look at: the measured pitch, and under it what is written, filled where vibrato lasts.

# %%
with study.attempt("a passage beside its score"):
    example = clearest_recording(scored_notes(context))
    own = notes[notes["recording_id"] == example]
    passage = own[own["onset_s"] < float(own["onset_s"].min()) + 12]
    study.save(*draw.along_the_score(study.line(example), passage), "04_along_the_score")

# %% [markdown]
# ## By period and region
#
# Did vibrato become more continuous? The decade and the region join the model; length stays in it, so that a
# fashion for slow pieces is not taken for a fashion for vibrato.

# %%
with study.attempt("use of vibrato by decade and region"):
    assessable["decades"] = (assessable["decade"].astype(float) - 1960) / 10
    presence = fit_presence(assessable, formula("has_vibrato", assessable, ["doublings", "decades", "region"]))
    by_decade = WORDING | {"decades": "From one decade to the next"}
    study.say_effects(presence, by_decade, head="Odds of vibrato:")

# %% [markdown]
# These intervals rest on the number of *players*: whether a player is continuous or ornamental is decided once a
# player, not once a note. A wide interval is an answer too: *this corpus does not know*.
#
# ## Does vibrato keep the beat?
#
# Some teachers ask for four even pulses to a beat at 72 beats a minute: 288 pulses a minute, or 4.8 Hz. Do
# players keep **whole pulses to the beat**?
#
# A fair test needs a fair "otherwise". Here it is: if a player's rate has nothing to do with the beat, then
# playing a little faster or slower throughout would have fitted the beat just as well. So all rates of a
# player are scaled up and down together, up to one and a half pulses to each side, and the closeness to whole
# pulses is worked out each time. Only if the *true* rates fit better than nearly all the shifted ones is there
# something to report. The player is the unit, not the note.

# %% jupyter={"source_hidden": true}
with study.attempt("whole pulses to the beat"):
    beat = tempo_test(notes)
    study.save(*draw.pulses_and_beat(beat), "04_pulses_and_beat")
    verdict = (
        "closer to whole pulses than chance would have it"
        if beat.p < 0.05
        else "no closer to whole pulses than chance would have it"
    )
    study.say(
        f"Over {len(beat.players)} players: closeness {beat.statistic:+.2f} "
        f"(1 = always whole, 0 = no relation), {p_words(beat.p)}: **{verdict}**.",
        {
            "players with a tempo": (len(beat.players), "players"),
            "closeness": (beat.statistic, ""),
            "p of closeness": (beat.p, ""),
        },
    )

# %% [markdown]
# A second way to ask: does rate follow tempo at all? If a player keeps a fixed number of pulses, a tempo 10 %
# faster makes vibrato 10 % faster, and the number below is 1. If players have a rate of their own, whatever the
# beat, it is 0.

# %%
with study.attempt("rate against tempo"):
    known = vibrato_notes(notes)
    known = known.assign(log_tempo=np.log(note_tempo(known)))
    known = known[known["log_tempo"].notna()]
    if known["player"].nunique() and known["log_tempo"].nunique() > 1:
        row = fit_mixed(known, "log(rate_hz) ~ log_tempo").table().loc["log_tempo"]
        study.say(
            f"Rate follows tempo with a factor of {estimate_words(row, '')}.",
            {name: (row[name], "") for name in ("estimate", "low", "high", "df", "t", "p")},
        )
    else:
        study.say("Rate cannot be set against tempo: all recordings with a known tempo have the same one.")

# %% [markdown]
# Keep in mind that a tempo in the manifest is one number for a whole recording, while players bend time. Where
# there is a score, tempo is taken around each note and follows the rubato.
#
# **Next:** [5. Measured against truth](05_measured_against_truth.ipynb).
