"""The review room: the ear has the last word.

* :mod:`vibstudy.review.edits`: what listeners decided, as data; how it changes a note table.
* :mod:`vibstudy.review.phrase`: a note in its phrase, measured again from the user's file.
* :mod:`vibstudy.review.apply`: the decisions put into the results of a study.
* :mod:`vibstudy.review.queue`: which notes to hear first.
* :mod:`vibstudy.review.room`: the widget in the notebook.
* :mod:`vibstudy.review.agreement`: machine against ear, ear against ear.
"""
