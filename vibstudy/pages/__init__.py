"""Pages to look at in a browser: of each recording, of the corpus, of listening examples."""
