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
# # 7. Listen and correct
#
# The ear has the last word. Here you hear notes one at a time, say whether the machine got them right, and
# mend those it did not. Then the notebook tells how well machine and ear agree, in figures for the paper.
#
# Your decisions go into `edits.csv` in the study's folder, one line each, at once. Nothing else is touched:
# neither the sound nor what was measured. Every `vibstudy measure` puts the decisions into the tables again,
# and *Take back* undoes them.

# %%
from vibstudy.study import open_study
from vibstudy.review.agreement import open_review
from vibstudy.review.queue import by_lot, by_suspicion, read_queue_columns

study = open_study()
study.say_origin()

# %% [markdown]
# ## Which notes
#
# * `ORDER = "suspicion"`: the notes that are most likely wrong come first: doubtful quality, or a rate or an
#   extent unlike the player's other notes. Good for *mending*.
# * `ORDER = "settle"`: a sample of each player that settles your claims. The room says how many notes each
#   claim needs, how far you have come, and when more listening will not change its verdict.
# * `ORDER = "lot"`: a random sample from every decade and region, in random order. Good for *figures for the
#   paper*: only a random sample tells how often the machine is right. Two listeners with the same `SEED` hear
#   the same notes.
#
# Samples are heard without names. Change a line, then run the notebook again from here.

# %%
ORDER = "suspicion"
SAMPLE = 100
SEED = 1

# %% jupyter={"source_hidden": true}
plan = None
with study.attempt("the review of notes"):
    columns = read_queue_columns(study.folder)
    decisions = open_review(study.folder)
    if ORDER == "settle":
        from vibstudy.review.settle import propose
        from vibstudy.stats.claims import CLAIMS_FILE, read_claims

        plan = propose(read_claims(study.folder / CLAIMS_FILE), decisions.notes(), decisions.decided(), SEED)
        queue = plan.queue
        study.say_list([need.words() for need in plan.needs], len(plan.needs))
        study.show(plan.players(), 0)
    elif ORDER == "lot":
        queue = by_lot(columns, SAMPLE, SEED)
    else:
        queue = by_suspicion(columns, decisions.decided())
    words = {"suspicion": "by suspicion", "settle": "to settle the claims"}.get(ORDER, "by lot")
    study.say(f"**{len(queue)} notes** wait to be heard, {words}.", {"notes waiting": (len(queue), "notes")})

# %% [markdown]
# ## Hear, see, decide
#
# The large picture is one note as a **ribbon**: its pitch, thick where it is loud, light where it is bright. The thin
# line on it is the fitted vibrato; the hem below says where vibrato lasts. Beside it all **cycles** lie over each
# other: a tight bundle is a regular vibrato. Below, the **harmonics** as played and with the vibrato taken out: straight
# lines mean that the figures are right. The **staff** above shows the phrase; notes decided on are filled.
#
# * **Listen** as played, straightened, or to the vibrato alone: if that sine moves like the player, the measurement
#   is right.
# * **Decide** in plain words: *Right*, *Not the soloist*, *A trill*, *An octave up*. Drag a bracket to where the note
#   begins or ends, or click a place and say *Begins here*, *Ends here*, *Two notes*.
# * Press **?** for all words and keys.
#
# Recordings under copyright: what you may copy or play in public depends on local law; ask someone licensed to advise
# you.

# %% jupyter={"source_hidden": true}
with study.attempt("the review of notes"):
    from IPython.display import display

    from vibstudy.review.room import ReviewRoom

    if len(queue):
        room = ReviewRoom(study.folder, queue, blind=ORDER != "suspicion", plan=plan)
        display(room)
    elif plan is not None:
        study.say("Nothing needs to be heard for the claims any more.")
    else:
        study.say("There is nothing left to hear: every note has been reviewed.")

# %% [markdown]
# ## Decisions so far
#
# Run the rest of the notebook again after listening (menu *Run*, *Run Selected Cell and All Below*).

# %% jupyter={"source_hidden": true}
with study.attempt("decisions so far"):
    review = open_review(study.folder)
    decided = review.all_edits()
    if not decided:
        study.say(
            "**Nothing has been reviewed yet.** The figures below appear once you have decided on some notes."
        )
    else:
        edited = review.notes(
            ["note_id", "onset_s", "offset_s", "pitch_hz", "rate_hz", "extent_cents", "reviewed"]
        )
        changed = edited[edited["reviewed"] != "auto"]
        study.say(
            f"{len(decided)} decisions; {len(changed)} notes in the table bear one. The last of them:",
            {"decisions": (len(decided), ""), "notes with a decision": (len(changed), "notes")},
        )
        study.show(changed.tail(12), 2, kept=False)

# %% [markdown]
# Decisions that could not be applied (the sound changed, the note is gone) or on which two listeners differ are
# told here. None is ever lost.

# %%
with study.attempt("decisions that could not be applied"):
    problems = [*review.problems]
    for name in review.edits:
        problems += review.outcome(name)[1].problems if name in review.recordings else []
    fine = "All decisions apply, and no two contradict each other." if review.edits else "No decision so far."
    study.say_list([str(problem) for problem in problems] or [fine])

# %% [markdown]
# ## Machine against ear
#
# The share of notes that the ear left as they were measured, with its 95 % interval (Wilson). Figures from a
# random sample (`ORDER = "lot"`) speak for the whole study; figures from notes picked by suspicion make the
# machine look worse than it is.

# %%
from vibstudy.review import agreement

with study.attempt("machine against ear"):
    heard = agreement.heard_notes(review)
    if heard.empty:
        study.say("No note has been accepted, corrected or rejected yet.")
    else:
        study.show(agreement.machine_against_ear(heard), 2)

# %% [markdown]
# ## Two listeners
#
# Cohen's kappa: agreement beyond what chance would give, 1 = perfect, 0 = no better than chance. To work with a
# second listener, give them a copy of the study's folder; each signs with their own name. Afterwards put their
# `edits.csv` beside yours as `edits-their-name.csv`: both are read, and a decision that stands in both counts once.

# %%
with study.attempt("two listeners"):
    pair = agreement.two_listeners(decided)
    if pair is None:
        study.say("No two listeners have heard the same notes yet.")
    else:
        first, second, kappa = pair
        study.say(
            "Two listeners: "
            + (str(kappa) if kappa.kappa == kappa.kappa else f"{kappa.n} items, all judged alike")
            + "."
        )
        study.show(kappa.table, 0, index=True)

# %% [markdown]
# ## Counted by ear, measured by machine
#
# Each dot is a note: how much the measured rate differs from the counted one. *Bias* is the mean difference; 95 % of
# the differences lie between the *limits of agreement*. ICC is the intraclass correlation: 1 = both always say
# the same.

# %%
with study.attempt("counted and measured rate"):
    from vibstudy.stats.agreement import limits_of_agreement

    counted = agreement.counted_rates(review)
    if len(counted) < agreement.FEWEST_PAIRS:
        study.say(
            f"Cycles have been counted on {len(counted)} notes; at least {agreement.FEWEST_PAIRS} are needed.",
            {"notes counted": (len(counted), "notes")},
        )
    else:
        study.say(agreement.pair_words(counted["counted_hz"], counted["measured_hz"], "Hz"))
        limits = limits_of_agreement(counted["counted_hz"], counted["measured_hz"])
        drawn = agreement.limits_figure(limits, "measured minus counted rate", "Hz")
        study.save(*drawn, "07_counted_and_measured")

# %% [markdown]
# ## Measured twice
#
# Notes whose edges were moved, before and after: how much rate and extent depend on where a note is said to begin.

# %%
with study.attempt("notes measured again"):
    again = agreement.measured_again(review)
    if len(again) < agreement.FEWEST_PAIRS:
        study.say(
            f"{len(again)} notes with vibrato have been measured again; at least {agreement.FEWEST_PAIRS} are needed.",
            {"notes measured again": (len(again), "notes")},
        )
    else:
        study.say("Rate, " + agreement.pair_words(again["rate_hz"], again["rate_again_hz"], "Hz"))
        study.say(
            "Extent, " + agreement.pair_words(again["extent_cents"], again["extent_again_cents"], "cents")
        )

# %% [markdown]
# ## For the paper

# %%
with study.attempt("the sentence for the paper"):
    study.say("> " + agreement.sentence_for_the_paper(review))
