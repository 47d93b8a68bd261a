"""Pages to look at in a browser: of each recording, of the corpus, of listening examples."""

FIRST_LOOK = "first-look.html"
"""Page in the results that measuring ends with (:mod:`vibstudy.pages.first_look`)."""
