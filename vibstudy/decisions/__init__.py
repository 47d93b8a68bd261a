"""What listeners decided, and how it changes the figures.

* :mod:`vibstudy.decisions.edits`: decisions as data.
* :mod:`vibstudy.decisions.effects`: how they change a note table.
* :mod:`vibstudy.decisions.phrase`: a note in its phrase, measured again from the user's file.
* :mod:`vibstudy.decisions.apply`: the decisions put into the results of a study.
"""
