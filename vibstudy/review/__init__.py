"""The listening room: the ear has the last word.

* :mod:`vibstudy.review.queue`: which notes to hear first.
* :mod:`vibstudy.review.audio`: a note made visible and audible.
* :mod:`vibstudy.review.room`: the widget in the notebook.
* :mod:`vibstudy.review.agreement`: machine against ear, ear against ear.
"""
